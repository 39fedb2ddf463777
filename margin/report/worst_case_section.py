"""The section on the worst case: three methods side by side, and the corner of the largest extreme value."""

from __future__ import annotations

from collections.abc import Sequence
from string import ascii_lowercase

import pandas as pd

from margin.case import units
from margin.estimates import numbers
from margin.estimates.number_columns import plain_column
from margin.estimates.results import OptionResult, Results
from margin.estimates.worst_case import AGREE, COVERAGE, NOTHING, OUTER_SHARE, PESSIMISM, TOLERANCE
from margin.report import figures, style
from margin.report.blocks import Block, Listing, Section, Table, bare, forces, loads_of
from margin.report.by_option import by_option, focus_place, option_picture

LEADING_OF_CORNER = 12


def worst_cases(results: Results) -> Section:
    """Worst case by three methods, with marks for how they compare."""
    low, high = 100.0 * OUTER_SHARE, 100.0 * (1.0 - OUTER_SHARE)
    explained = Listing(
        "Methods",
        (
            "Extreme value: limits of all causes searched together, interior points included; dependence between "
            "causes is left out. Limits are the bounds of a spread bounded on both sides, and the "
            f"{low:.3f} % and {high:.3f} % quantiles of any other; of a spread estimated from few units, those of one "
            "further unit",
            f"Root sum square (RSS): terms of first order, and with those of second order, at k = {COVERAGE:g} "
            "(JCGM 100, 5.1.2 and 5.2.2), the rounding of each reading included (F.2.2.1)",
            f"Monte Carlo: {low:.3f} % to {high:.3f} % of the errors drawn",
            "Ratios: half width over that of Monte Carlo; above 1 pessimistic, below 1 optimistic",
            f"Agreement: both ends of the RSS within {100.0 * TOLERANCE:.0f} % of the half width of Monte Carlo",
        ),
    )
    return Section(
        "Worst case by three methods",
        (by_option(results, lambda option: _blocks_of(results, option)), explained),
        answers=tuple(_answer(results, option) for option in results.options),
        focus=focus_place(results),
    )


def _answer(results: Results, option: OptionResult) -> str:
    """'extreme value up to 3.1 × the permissible error; methods agree at 5 of 6 loads'."""
    rows = option.worst_case
    pooled = option.errors[option.errors["condition"] == "all"].set_index("load_N")["permissible_N"]
    permissible = pooled.reindex(rows["load_N"]).to_numpy()
    extreme = rows[["extreme_low_N", "extreme_high_N"]].abs().max(axis=1).to_numpy()
    ratio = extreme[permissible > 0.0] / permissible[permissible > 0.0]
    agreeing = int(rows["verdict"].isin((AGREE, NOTHING)).sum())
    most = numbers.plain(float(ratio.max()), digits=2) if ratio.size else "an undefined multiple"
    return f"extreme value up to {most} × the permissible error; methods agree at {agreeing} of {len(rows)} loads"


def _blocks_of(results: Results, option: OptionResult) -> list[Block]:
    """Figure, table with its marks explained, and the corner of the largest extreme value of one option."""
    marks = _marks(option)
    axes = figures.worst_case_ways(results, option.name)
    text = "Worst case by three methods at each check load, over the permissible error."
    alternative = f"Three ranges at each load for {option.name}, against the permissible error."
    blocks: list[Block] = [
        option_picture(
            results, option, "worst-case", figures.figure_of(axes), style.caption(results, text), alternative
        ),
        _worst_case_table(option, marks),
        Listing("Marks", tuple(f"{mark}: {_in_words(row)}" for row, mark in marks.items())),
    ]
    if len(option.extremes):  # none where nothing varies
        blocks.append(_corner_table(option))
    return blocks


_Found = tuple[str, str]
"""Verdict of a load and the causes behind it."""


def _found(row: pd.Series) -> _Found:
    """Without the degree of pessimism of the extreme value, which the ratios show and worst_case.csv has in words."""
    why = (part for part in str(row["why"]).split("; ") if not part.startswith(PESSIMISM))
    return str(row["verdict"]), "; ".join(why)


def _marks(option: OptionResult) -> dict[_Found, str]:
    """A short mark for each way in which the methods compare: '=' where they agree, else a letter."""
    found = list(dict.fromkeys(_found(row) for _, row in option.worst_case.iterrows()))
    alike = [each for each in found if each[0] in (AGREE, NOTHING)]
    other = [each for each in found if each not in alike]
    marks = {each: "=" + "'" * number for number, each in enumerate(alike)}
    return marks | {each: ascii_lowercase[number % 26] for number, each in enumerate(other)}


def _in_words(found: _Found) -> str:
    verdict, why = found
    return f"{verdict} ({why})" if why else verdict


def _worst_case_table(option: OptionResult, marks: dict[_Found, str]) -> Table:
    rows = [row for _, row in option.worst_case.iterrows()]
    scale = forces(rows, *(f"{way}_{end}_N" for way in ("extreme", "monte_carlo") for end in ("low", "high")))
    unit, shown = scale.unit, bare(scale)
    loads, load_unit = loads_of(rows)
    ranges = (
        [(row["extreme_low_N"], row["extreme_high_N"]) for row in rows],
        [_about(row, "rss_mean_N", "root_sum_square_N") for row in rows],
        [_about(row, "rss_second_mean_N", "root_sum_square_second_N") for row in rows],
        [(row["monte_carlo_low_N"], row["monte_carlo_high_N"]) for row in rows],
    )
    ratios = (
        plain_column(
            [float(row[name]) for row in rows], numbers.Scale(1.0, ""), 2, reason="nothing drawn varies"
        )
        for name in ("extreme_over_draws", "rss_over_draws")
    )
    body = tuple(
        zip(
            loads,
            *(_range_column(found, shown) for found in ranges),
            *ratios,
            (marks[_found(row)] for row in rows),
            strict=True,
        )
    )
    columns = (
        f"Load ({load_unit})", f"Extreme value ({unit})", f"RSS ({unit})", f"RSS, second order ({unit})",
        f"Monte Carlo ({unit})", "Extreme / draws", "RSS / draws", "Mark",
    )  # fmt: skip
    return Table(f"Worst case with {option.name!r}.", columns, body, 0, True)


def _corner_table(option: OptionResult) -> Table:
    """The causes of the largest extreme value, with their values."""
    found = option.extremes
    worst = found.iloc[int(found["error_N"].abs().to_numpy().argmax())]
    own = found[(found["load_N"] == worst["load_N"]) & (found["end"] == worst["end"])]
    shown = [row for _, row in own.head(LEADING_OF_CORNER).iterrows()]
    scale = forces(shown, "change_N", "error_N")
    moves = plain_column([float(row["change_N"]) for row in shown], bare(scale))
    rows = tuple(
        (str(row["factor"]), str(row["event"]), str(row["position"]), _deviation(row), move)
        for row, move in zip(shown, moves, strict=True)
    )
    text = (
        f"The largest extreme value with {option.name!r}, {numbers.plain(float(worst['error_N']), scale=scale)} at "
        f"{numbers.plain(float(worst['load_N']), 'N', digits=4)} ({worst['condition']}): its {len(rows)} leading "
        f"causes of {len(own)}; all in extremes.csv."
    )
    columns = (
        "Cause",
        "Drawn for",
        "At its limit",
        "Deviation",
        f"Error moves if at its centre ({scale.unit})",
    )
    return Table(text, columns, rows, 4, folded=True)


def _deviation(row: pd.Series) -> str:
    value = float(row["value"])
    if row["unit"] == "relative":
        return numbers.percent(value, "nominal")
    return (
        f"{numbers.plain(value)} standard draw"
        if row["unit"] == "draw"
        else units.show(value, row["unit"], 3)
    )


def _about(row: pd.Series, mean: str, half: str) -> tuple[float, float]:
    return row[mean] - row[half], row[mean] + row[half]


def _range_column(ranges: Sequence[tuple[float, float]], scale: numbers.Scale) -> list[str]:
    """Ranges in one format for both ends."""
    ends = plain_column([float(end) for pair in ranges for end in pair], scale)
    return [f"{low} to {high}" for low, high in zip(ends[::2], ends[1::2], strict=True)]
