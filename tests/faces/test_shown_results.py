"""What results and cases show: the same in print, in an interpreter and in a notebook; a path serves as a case."""

from __future__ import annotations

import html
import re
import xml.etree.ElementTree as ElementTree
from pathlib import Path
from typing import Any

import pytest
from small_results import case, results

import margin
from margin import errors
from margin.case import read_case
from margin.case.load import as_case

GRIPPER = Path(__file__).parents[2] / "cases" / "gripper_amplifier" / "case.toml"
KINDS = (
    "case",
    "study",
    "pair",
    "budget",
    "bench",
    "rare",
    "accept",
    "diagnosis",
    "age",
    "lives",
    "drift",
    "qualification",
    "plan",
    "size",
    "overturn",
    "improve",
    "validation",
)


def words_of(text: str) -> set[str]:
    """Words of at least four letters, in lower case; words cut at the end of a line or with an ellipsis aside."""
    whole = re.sub(r"\S*(-\n|…)\s*\S*", " ", text)
    return set(re.findall(r"[a-z]{4,}", whole.lower()))


def numbers_of(text: str) -> set[str]:
    """Numbers with a point."""
    return set(re.findall(r"\d+\.\d+", text))


def text_of(markup: str) -> str:
    """What simple HTML says, without its tags."""
    return html.unescape(re.sub(r"<[^>]+>", " ", markup))


@pytest.mark.parametrize("kind", KINDS)
def test_printed_and_named_a_result_shows_the_same(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """`print(result)` and naming it in an interpreter show the same text, which fits the terminal."""
    monkeypatch.setenv("COLUMNS", "80")
    result = results()[kind]
    assert repr(result) == str(result)
    assert len(str(result).splitlines()) > 2
    assert max(map(len, str(result).splitlines())) <= 80


@pytest.mark.parametrize("kind", KINDS)
def test_a_notebook_shows_well_formed_html_with_the_numbers_of_the_text(
    kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The notebook view is well formed, escapes what is text, and says what is printed: its numbers, and all but the
    words that abbreviate it for the width of a terminal."""
    monkeypatch.setenv("COLUMNS", "80")
    result = results()[kind]
    markup = result._repr_html_()
    ElementTree.fromstring(markup)
    assert "<i>" not in markup
    shown, printed = text_of(markup), str(result)
    assert numbers_of(printed) <= numbers_of(shown)
    lacking = words_of(printed) - words_of(shown)
    assert len(lacking) <= 0.1 * len(words_of(printed)), sorted(lacking)


def test_a_case_says_what_it_is_how_it_was_read_and_what_it_assumes() -> None:
    """A case lists load, requirement, chain, options, then the first readings, defaults and assumptions, and counts
    the rest."""
    loaded = margin.load(GRIPPER)
    text = str(loaded)
    assert text.startswith(f"{loaded.name}\nFile: ")
    for told in (
        "Load: 2 N to 60 N, checked at", "Permissible error: larger of", "Required: at least 95 % of units",
        "circuit inverting amplifier", "Calibration options: none; tare; one point, 3 reloads", "cool morning",
    ):  # fmt: skip
        assert told in " ".join(text.split()), told
    for attribute in ("readings", "defaults", "assumed"):
        lines = getattr(loaded, attribute)
        assert f"(case.{attribute}):" in text
        assert lines[0].split(":")[0] in text
        assert f"... and {len(lines) - 10} more" in text
    assert len(text.splitlines()) < 70


def test_a_case_from_text_is_shown_too() -> None:
    """A case without a file, conditions of use or a fitted model leaves these lines out."""
    text = str(
        read_case('[load]\nrange = "2 N to 20 N"\n[requirement]\npermissible_error = "2 N"\n[sensor]\n'
                  'kind = "thin film"\nsensitivity = "40 uS +/- 10 %"\nreference_load = "10 N"\n[circuit]\n'
                  'kind = "inverting amplifier"\nreference = "1.2 V"\nfeedback = "10 kohm"\n')
    )  # fmt: skip
    assert "File" not in text and "Conditions of use" not in text and "fitted" not in text
    assert "Permissible error: 2 N" in text


SMALL = """
[case]
unstated = "zero"
[load]
range = "2 N to 20 N"
check = ["2 N", "20 N"]
[requirement]
permissible_error = "50 % of reading"
[sensor]
kind = "thin film"
sensitivity = "40 uS +/- 10 %"
exponent = "0.85 +/- 0.02"
reference_load = "10 N"
[circuit]
kind = "inverting amplifier"
reference = "1.2 V"
feedback = "10 kohm"
[[calibration]]
kind = "none"
[study]
units = 200
draw = "all units"
"""

CALLS = {
    "change": lambda c: margin.change(c, {"study.seed": 5}),
    "estimate": lambda c: margin.estimate(c, budget=False, workers=1),
    "budget": lambda c: margin.budget(c, runs=2000, width=1.0, workers=1),
    "compare": lambda c: margin.compare(c, c, workers=1),
    "rare": lambda c: margin.rare(c, target_cv=0.5, budget=2000),
    "accept": lambda c: margin.accept(c, units=200, command=["margin", "accept"], workers=1),
    "plan": lambda c: margin.plan(c, seconds=30, units=200, workers=1),
    "improve": lambda c: margin.improve(c, workers=1),
    "age": lambda c: margin.age(c, points=3, units=200, command=["margin", "age"], workers=1),
    "problem": lambda c: margin.problem(c)["names"],
    "characterise": lambda c: margin.characterise(
        GRIPPER.parent / "bench.csv", circuit="amplifier", interface="silicone", case=c, units=200
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CALLS)
def test_the_path_of_a_case_serves_as_the_case(name: str, tmp_path: Path) -> None:
    """Each function finds with a path what it finds with the case read from it, and a text serves as a Path does; a
    file that is not there is a CaseError, anything else an InvalidArgument."""
    path = tmp_path / "case.toml"
    path.write_text(SMALL, encoding="utf-8")
    loaded = margin.load(path)
    assert as_case(path) == as_case(str(path)) == loaded
    assert str(CALLS[name](loaded)) == str(CALLS[name](str(path)))
    with pytest.raises(errors.CaseError, match="there is no such file"):
        CALLS[name](tmp_path / "nowhere.toml")
    with pytest.raises(errors.InvalidArgument, match="or the path of a case file, is needed"):
        CALLS[name](3)


def test_pairs_hold_both_studies() -> None:
    """Each study of a pair has tables and figures of its own."""
    pair: Any = results()["pair"]
    assert list(pair.first.yields["option"]) == [one.name for one in case().calibrations]
    assert pair.second.verdict == pair.comparison.second.verdict
