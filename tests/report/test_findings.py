"""Findings are data: the JSON holds them, and the sentences of every medium follow from it alone."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace

import pytest

from margin.estimates.evaluate import evaluate
from margin.estimates.results import Results
from margin.messages.sentences import SENTENCES, sentence
from margin.report import page, terminal
from margin.report.document import to_document, to_json
from tests.pad_study import NONE, ONE_POINT, pad_case

SHOWN_ALWAYS = {"lowest cost", "none reaches", "none shown", "design check stands in the way", "computed"}


def plain(text: str) -> str:
    """Text without line breaks, marks and the spaces that only a page needs."""
    for mark, sign in (
        ("&#39;", "'"),
        ("&#34;", '"'),
        ("&lt;", "<"),
        ("&gt;", ">"),
        ("&amp;", "&"),
        ("\N{NO-BREAK SPACE}", " "),
    ):
        text = text.replace(mark, sign)
    return " ".join(text.split())


def studies() -> Iterator[Results]:
    """Conforming, not conforming by saturation, impossible, and without a budget."""
    study = {"units": 3000, "outer": None}
    yield evaluate(pad_case(ONE_POINT, sensor={"sensitivity": "4 uS +/- 8 %"}, study=study), workers=1)
    yield evaluate(
        pad_case(
            ONE_POINT, sensor={"sensitivity": "4 uS +/- 8 %"}, circuit={"feedback": "100 kohm"}, study=study
        ),
        workers=1,
    )
    pad = {"sensitivity": "4 uS +/- 8 %", "reload_scatter": "5 %"}
    yield evaluate(pad_case(NONE, ONE_POINT, sensor=pad, converter={"bits": 12}, study=study), workers=1)
    yield evaluate(pad_case(NONE, sensor=pad, study=study), with_budget=False, workers=1)


@pytest.fixture(scope="module")
def all_found() -> list[Results]:
    return list(studies())


@pytest.fixture(scope="module", params=range(4))
def found(request: pytest.FixtureRequest, all_found: list[Results]) -> Results:
    return all_found[request.param]


@pytest.mark.usefixtures("undrawn")
def test_terminal_and_page_say_what_the_json_alone_says(found: Results) -> None:
    """Each sentence made from the JSON's findings is on the screen and on the page, word for word."""
    read = json.loads(to_json(to_document(found)))
    screen, shown = plain(terminal.render(found, 100)), plain(page.render(found))
    reason, *rest = read["findings"]
    steps = [each for each in rest if each["kind"] in STEPS]
    assert len(steps) == 1
    obstacles = read["findings"][1 : 1 + len(found.recommendation.obstacles)]
    others = [each for each in rest if each["kind"] in ("ideal part", "cancelled", "caution", "computed")]
    (verdict,) = (each for each in rest if each["kind"] == "verdict")
    # a sentence of its own begins with a capital letter
    screen, shown = screen.lower(), shown.lower()
    for each in (verdict, reason, *obstacles, *steps, *others):
        said = plain(sentence(each)).lower()
        assert said in screen, each
        assert said in shown, each


STEPS = {
    "draw more units", "run with a budget", "measure what is assumed", "build a pilot lot", "nothing needed",
    "change the design for a check", "mending suffices", "action suffices", "actions suffice together",
    "no action suffices",
}  # fmt: skip
"""Kinds of a next step."""


def test_every_finding_has_kind_values_units_and_a_sentence(found: Results) -> None:
    """Numbers carry unit and interval, and no kind is without words."""
    for each in json.loads(to_json(to_document(found)))["findings"]:
        assert each["kind"] in SENTENCES
        assert sentence(each)
        for value in each["values"].values():
            if isinstance(value, dict) and "unit" in value:
                assert set(value) == {"value", "low", "high", "unit"}


def test_recommendation_of_the_json_reads_as_its_finding(results: Results) -> None:
    """'why' is the sentence of the first finding."""
    read = json.loads(to_json(to_document(replace(results))))
    assert read["recommendation"]["why"] == sentence(read["findings"][0])
