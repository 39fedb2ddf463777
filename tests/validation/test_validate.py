"""The validation: all lines agree, a wrong value is found, and the command reports and writes both."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

import margin
from margin.case.build import nominal_element
from margin.cli import cli
from margin.commands.common import BAD_INPUT, CONFORMS, DOES_NOT_CONFORM
from margin.propagation.model import model_of
from margin.report.validation_page import render
from margin.validation import compare, parts
from margin.validation.cases import all_cases, jump, shared_gain
from margin.validation.closed_forms import Exact
from margin.validation.line import Line, without_draws
from margin.validation_study import ValidationStudy


@pytest.fixture(scope="module")
def study() -> ValidationStudy:
    return margin.validate(workers=2)


def test_every_line_agrees(study: ValidationStudy) -> None:
    """On this machine all lines agree, at least 40 of them, each with a source and an interval that holds its value."""
    assert study.agrees, str(study)
    assert len(study.lines) >= 40
    assert all(line.source and line.low <= line.computed <= line.high for line in study.lines)
    assert len({(line.what, line.source) for line in study.lines}) == len(study.lines)


def test_intervals_are_narrow_enough_to_tell(study: ValidationStudy) -> None:
    """No interval is wider than a fifth, those of yields not wider than a twentieth."""
    for line in study.lines:
        width = line.high - line.low
        assert width < 0.2, line
        if line.what.startswith("yield") and "with probability" not in line.what:
            assert width < 0.05, line


def test_table_and_text_show_the_same(study: ValidationStudy) -> None:
    """The table has one row a line; the text shows every line and the summary, in no more columns than it is given."""
    shown = render(study.lines, study.seed, 0.95, width=400).splitlines()
    assert list(study.table["what"]) == [line.what for line in study.lines]
    assert all(any(row.strip().startswith(line.what) for row in shown) for line in study.lines)
    assert f"All {len(study.lines)} lines agree." in str(study)
    for width in (50, 112):
        assert max(map(len, render(study.lines, study.seed, 0.95, width=width).splitlines())) <= width


def test_a_wrong_yield_is_found() -> None:
    """A program whose yield or lower bound were off by 5 points would not agree."""
    closed = shared_gain(0.0258, 0.3)
    wrong = replace(closed, exact=Exact(closed.exact.share - 0.05, closed.exact.bound - 0.05))
    assert [line.agrees for line in compare.compare(closed, 3, 1)] == [True, True]
    assert [line.agrees for line in compare.compare(wrong, 3, 1)] == [False, False]


def test_numbers_without_draws_agree_to_rounding() -> None:
    """A computed number agrees to nine digits, not to eight; one that is missing does not agree."""
    assert without_draws("f", "w", "s", 1.0, 1.0 + 5e-10).agrees
    assert not without_draws("f", "w", "s", 1.0, 1.0 + 5e-9).agrees
    assert not without_draws("f", "w", "s", 1.0, math.nan).agrees
    assert not Line("f", "w", "s", math.nan, 1.0, 0.0, 2.0).agrees


def test_cases_are_what_they_say() -> None:
    """Every case has one check load, an ideal converter, no factor but those stated (of a calibration reload
    scatter and station), an exact bound at or below the yield, and draws all units."""
    for closed in all_cases():
        case = closed.case(units=1000)
        assert len(case.check_loads) == 1 and nominal_element(case.elements["converter"]).bits == 0
        assert case.study.draw == "all units" and case.study.nested == closed.unknown
        assert case.requirement.reading == pytest.approx(closed.limit, abs=1e-12)
        stated = [factor for factor in model_of(case).factors if factor.role != "use"]
        assert len(stated) == (len(closed.spreads) or 2)
        assert 0.0 <= closed.exact.bound <= closed.exact.share + 1e-12 <= 1.0
    assert jump(0.0196, 0.03, 0.01).exact.bound > jump(0.0196, 0.03, 0.01).exact.share


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> Callable[[float], None]:
    """Replace the checks by one line whose expected value is given."""

    def use(expected: float) -> None:
        monkeypatch.setattr(
            "margin.validation_study.checks",
            lambda seed, workers: (
                parts.sample_sizes,
                lambda: [Line("f", "w", "s", expected, 1.0, 0.5, 1.5)],
            ),
        )

    return use


def test_command_writes_what_it_prints(quick: Callable[[float], None], tmp_path: Path) -> None:
    """Exit code 0 where all agree; JSON and CSV hold the same lines; a second run replaces them."""
    quick(1.0)
    out = tmp_path / "validation"
    for seed in ("1", "2"):
        found = CliRunner().invoke(cli, ["validate", "--out", str(out), "--seed", seed])
        assert found.exit_code == CONFORMS, found.output
        assert "All 3 lines agree." in found.output
    assert sorted(path.name for path in out.iterdir()) == [
        "manifest.json",
        "validation.csv",
        "validation.json",
    ]
    document = json.loads((out / "validation.json").read_text(encoding="utf-8"))
    assert document["agrees"] and document["computed"]["seed"] == 2
    rows = list(csv.DictReader((out / "validation.csv").read_text(encoding="utf-8").splitlines()))
    assert [row["what"] for row in rows] == [line["what"] for line in document["lines"]]
    assert rows[0]["agrees"] == "True" and float(rows[0]["expected"]) == 59.0


def test_command_says_where_a_line_does_not_agree(quick: Callable[[float], None]) -> None:
    """Exit code 1 where a line does not agree, with quiet too, which prints nothing."""
    quick(2.0)
    found = CliRunner().invoke(cli, ["validate"])
    assert found.exit_code == DOES_NOT_CONFORM
    assert "1 of 3 lines do not agree." in found.output and "NO" in found.output
    silent = CliRunner().invoke(cli, ["validate", "--quiet"])
    assert (silent.exit_code, silent.output) == (DOES_NOT_CONFORM, "")


def test_bad_input_is_refused(tmp_path: Path) -> None:
    """A folder of someone else is refused before anything is drawn; so is a negative seed."""
    (tmp_path / "thesis.txt").write_text("mine", encoding="utf-8")
    found = CliRunner().invoke(cli, ["validate", "--out", str(tmp_path)])
    assert found.exit_code == BAD_INPUT
    assert [path.name for path in tmp_path.iterdir()] == ["thesis.txt"]
    with pytest.raises(ValueError, match="seed must be 0 or more"):
        margin.validate(seed=-1)
