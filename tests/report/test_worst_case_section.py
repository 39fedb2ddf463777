"""The section on the worst case: short marks in the table, explained once below it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from margin.estimates.results import Results
from margin.estimates.worst_case import AGREE
from margin.report.blocks import Listing, Table, flat
from margin.report.worst_case_section import worst_cases


@pytest.mark.usefixtures("undrawn")
def test_each_mark_is_explained_and_no_cell_is_a_sentence(results: Results) -> None:
    """Loads that agree bear '=', others a letter for each verdict with its causes; the degree of pessimism, which
    differs from load to load, is left to the ratios."""
    rows = results.focus.worst_case
    why = [
        f"first-order terms explain the draws; extreme value: as pessimistic as {n} equal causes"
        for n in range(6)
    ]
    worst = rows.assign(verdict=[AGREE] * 4 + ["too narrow", "too wide"], why=[*why[:4], "a", "b"])
    option = replace(results.focus, worst_case=worst)
    options = tuple(option if each.name == option.name else each for each in results.options)
    section = worst_cases(replace(results, options=options))
    blocks = tuple(flat(section.blocks))
    table = next(block for block in blocks if isinstance(block, Table))
    assert table.columns[-1] == "Mark"
    assert [row[-1] for row in table.rows] == ["=", "=", "=", "=", "a", "b"]
    assert max(len(cell) for row in table.rows for cell in row) <= 20
    marks = next(block for block in blocks if isinstance(block, Listing) and block.lead == "Marks")
    assert marks.items == (
        f"=: {AGREE} (first-order terms explain the draws)", "a: too narrow (a)", "b: too wide (b)",
    )  # fmt: skip
    answers = dict(zip((each.name for each in results.options), section.answers, strict=True))
    assert answers[option.name].endswith("methods agree at 4 of 6 loads")


@pytest.mark.usefixtures("undrawn")
def test_the_corner_of_the_extreme_value_is_closed(results: Results) -> None:
    """One table is open for an option; that of the corner is folded."""
    tables = [block for block in flat(worst_cases(results).blocks) if isinstance(block, Table)]
    assert [table.long for table in tables] == [False, True]
