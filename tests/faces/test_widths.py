"""Every printed surface at several widths, with the shipped gripper cases and few units."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest
from rich.cells import cell_len

import margin
from margin.report import (
    accept_page,
    age_page,
    bench_terminal,
    budget_page,
    comparison,
    rare_page,
    terminal,
    validation_page,
)
from margin.report.summary import summarise
from margin.validation.line import Line

CASES = Path(__file__).parents[2] / "cases"
WIDTHS = (40, 50, 80, 120)


@cache
def gripper(name: str) -> margin.Case:
    """A shipped case at half its loads, with few units in as many outer draws as they allow."""
    case = margin.load(CASES / name / "case.toml")
    return margin.change(case, {"load.check": 3, "study.units": 640, "study.outer": 20})


@cache
def pair() -> margin.study.PairedStudy:
    return margin.compare(gripper("gripper_amplifier"), gripper("gripper_divider"))


def shown_estimate(width: int) -> str:
    return "".join(
        terminal.render(found, width) for found in (pair().comparison.first, pair().comparison.second)
    )


def shown_comparison(width: int) -> str:
    return comparison.render(pair().comparison, width)


@cache
def _budget() -> margin.study.BudgetStudy:
    return margin.budget(gripper("gripper_divider"), runs=2000)


def shown_budget(width: int) -> str:
    return budget_page.render(_budget().budget, _budget().option, width)


@cache
def _rare() -> rare_page.RareFailures:
    from margin.rare_study import rare

    return rare(gripper("gripper_amplifier"), budget=1000).found


def shown_rare(width: int) -> str:
    return rare_page.render(_rare(), width)


@cache
def _accept() -> margin.AcceptStudy:
    return margin.accept(gripper("gripper_divider"), "one point, thermometer", cost_bad=50, cost_good=4)


def shown_accept(width: int) -> str:
    return accept_page.render(_accept().found, _accept().command, width)


@cache
def _age() -> margin.AgeStudy:
    return margin.age(gripper("gripper_divider"), "one point, thermometer", units=1000, points=5, workers=1)


def shown_age(width: int) -> str:
    return age_page.render(_age().found, _age().command, width)


@cache
def _bench() -> object:
    from margin.bench_study import characterise

    return characterise(CASES / "gripper_amplifier" / "bench.csv", circuit="amplifier")


def shown_bench(width: int) -> str:
    found = _bench()
    return bench_terminal.render(found.findings, found.outlook, width)  # type: ignore[attr-defined]


def shown_validation(width: int) -> str:
    lines = [
        Line("Sobol indices", "total order of x3", "Ishigami and Homma, 1990", 0.2437, 0.245, 0.2353, 0.2546),
        Line("Sample sizes", "units between extremes", "Wilks, 1941", 93.0, 93.0, 93.0, 93.0),
    ]
    return validation_page.render(lines, 1, 0.999, width)


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize(
    "shown",
    [
        shown_estimate,
        shown_comparison,
        shown_budget,
        shown_rare,
        shown_accept,
        shown_age,
        shown_bench,
        shown_validation,
    ],
)
def test_no_line_is_longer_than_the_terminal(shown: Callable[[int], str], width: int) -> None:
    """Lines wrap to the width, nothing ends in an ellipsis, and there are no control codes or numbers of a program."""
    text = shown(width)
    assert max(map(cell_len, text.splitlines())) <= width
    assert "…" not in text
    assert "\x1b" not in text
    assert not re.search(r"\d[eE][+-]?\d|(?<![\w.-])(nan|inf|-0(\.0+)?)(?![\w.])", text)


@pytest.mark.parametrize("width", WIDTHS)
def test_the_words_of_a_narrow_terminal_are_those_of_a_wide_one(width: int) -> None:
    """Every word of every cell and note is printed, whatever the width."""
    text = shown_estimate(width).replace(",", "")
    for found in (pair().comparison.first, pair().comparison.second):
        summary = summarise(found)
        cells = [
            text
            for option in summary.options
            for text in (option.name, option.yields.lines, option.bound.value, option.largest.lines)
        ]
        cells += [text for cause in summary.causes for text in (cause.factor, cause.change.text)]
        words = " ".join([*cells, *summary.cautions, *summary.obstacles, summary.assumed]).replace("\n", " ")
        missing = {word for word in words.replace(",", "").split(" ") if word not in text}
        assert not missing
