"""Findings of rare failures, budget, comparison and bench are data: screen and page say what the JSON alone says."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from functools import cache
from typing import Any

import pytest
from small_results import case, results

import margin
from margin.estimates.changed_inputs import changed_inputs
from margin.messages.sentences import SENTENCES, sentence
from margin.report import (
    bench_files,
    bench_terminal,
    budget_page,
    comparison,
    comparison_page,
    rare_page,
    style,
)
from margin.report.document import to_json
from margin.report.page import page as page_of

Shown = tuple[list[dict[str, Any]], str, str]
"""Findings read back from the JSON, the screen, the page."""


def plain(text: str) -> str:
    """Text without line breaks, marks and the spaces that only a page needs."""
    for mark, sign in (
        ("&#39;", "'"), ("&#34;", '"'), ("&lt;", "<"), ("&gt;", ">"), ("&amp;", "&"), ("\N{NO-BREAK SPACE}", " "),
    ):  # fmt: skip
        text = text.replace(mark, sign)
    return " ".join(text.split())


@cache
def of_rare() -> Shown:
    study = results()["rare"]
    files = rare_page.contents(study.found)
    return json.loads(files["rare.json"])["findings"], rare_page.render(study.found, 100), files["rare.html"]


@cache
def of_pair() -> Shown:
    found = results()["pair"].comparison
    read = json.loads(to_json(comparison_page.document(found)))
    return read["findings"], comparison.render(found, 100), comparison_page.render_page(found)


@cache
def of_budget() -> Shown:
    study = results()["budget"]
    read = json.loads(to_json(budget_page.document(study.budget, option=study.option)))
    with style.settings():
        parts = budget_page.sections(study.budget, study.option)
    shown = page_of("Budget", "none", None, "0", parts)
    return read["findings"], budget_page.render(study.budget, study.option, 100), shown


@cache
def of_bench() -> Shown:
    study = results()["bench"]
    files = bench_files.bench_contents(study.findings, study.outlook)
    screen = bench_terminal.render(study.findings, study.outlook, 100)
    return json.loads(files["bench.json"])["findings"], screen, files["bench.html"]


PAGES: dict[str, Callable[[], Shown]] = {
    "rare": of_rare,
    "pair": of_pair,
    "budget": of_budget,
    "bench": of_bench,
}

ONLY_ON_PAGE = {"computed rare failures", "computed budget", "computed bench"}
"""Kinds that the screen leaves out."""
IN_TABLES = {
    "factor of the failing unit", "difference of two yields", "design check of two cases",
    "leading cause of the margin", "figure of merit", "spread by level", "no difference of two setups resolved",
}  # fmt: skip
"""Kinds whose numbers stand in the cells of a table, one finding a row: the subject is looked for."""


@pytest.mark.parametrize("page", PAGES)
def test_screen_and_page_say_what_the_json_alone_says(page: str) -> None:
    """Each sentence made from the findings of the JSON is on the screen and on the page, word for word; subjects of
    findings in a table stand there."""
    findings, screen, shown = PAGES[page]()
    assert len(findings) > 3
    screen, shown = plain(screen), plain(shown)
    for each in findings:
        assert each["kind"] in SENTENCES
        text = plain(sentence(each))
        assert text
        on_screen = each["kind"] not in ONLY_ON_PAGE and (page != "bench" or each["kind"] != "caution")
        if each["kind"] in IN_TABLES:
            assert str(each["subject"]) in shown, each
        elif each["kind"] == "not available":
            assert str(each["values"]["why"]) in shown and text in screen, each
        elif each["kind"] == "note on the data":
            assert text in shown and (not each["values"]["at_once"] or text in screen), each
        else:
            assert text.lower() in shown.lower(), each
            assert not on_screen or text.lower() in screen.lower(), each


@pytest.mark.parametrize("page", PAGES)
def test_numbers_of_findings_carry_unit_and_interval(page: str) -> None:
    """A number of a finding says its unit, and its interval or that it has none; the JSON holds no other form."""
    findings, _, _ = PAGES[page]()
    for each in findings:
        assert set(each) == {"kind", "subject", "values", "action"}
        for value in each["values"].values():
            if isinstance(value, dict) and isinstance(value.get("value"), float | int):
                assert set(value) == {"value", "low", "high", "unit"}
        assert to_json({"finding": each})


@pytest.mark.parametrize("page", PAGES)
def test_the_answer_is_open_and_the_evidence_folded_on_a_page_of_its_own(page: str) -> None:
    """The first section alone is open, the rest is folded with its glossary last; nothing is loaded from elsewhere."""
    _, _, shown = PAGES[page]()
    sections = shown.split("<section ")[1:]
    assert ["<summary><h2" in part for part in sections] == [False] + [True] * (len(sections) - 1)
    assert 'id="glossary"' in sections[-1]
    assert not re.search(r"<(?:script|link|img|iframe)\b", shown)
    addresses = set(re.findall(r"https?://[^\s\"'<>)]+", shown))
    assert addresses <= {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}


def test_changed_inputs_are_the_keys_that_changes_name() -> None:
    """Keys of a list of tables go by name or kind; applied as changes they make the second case of the first."""
    first = case()
    second = margin.change(
        first, {"circuit.feedback": "12 kohm", "calibration.one-point.reloads": 4, "study.seed": 9}
    )
    found = changed_inputs(first, second)
    assert {each.key for each in found} == {"circuit.feedback", "calibration.one-point.reloads", "study.seed"}
    again = margin.change(first, {each.key: each.second for each in found})
    assert changed_inputs(again, second) == ()
