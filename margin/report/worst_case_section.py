"""The section on the worst case: three methods side by side, and the corner of the largest extreme value."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from margin.case import units
from margin.estimates import numbers
from margin.estimates.number_columns import plain_column
from margin.estimates.results import OptionResult, Results
from margin.estimates.worst_case import AGREE, COVERAGE, NOTHING, OUTER_SHARE, TOLERANCE
from margin.report import figures, style
from margin.report.blocks import Block, Section, Table, Text, bare, forces, loads_of, picture

LEADING_OF_CORNER = 12


def worst_cases(results: Results) -> Section:
    """Worst case by three methods, with a warning where they disagree."""
    focus = results.focus
    low, high = 100.0 * OUTER_SHARE, 100.0 * (1.0 - OUTER_SHARE)
    blocks: list[Block] = [
        Text(
            "Extreme value: the limits of all causes searched together, interior points included; dependence between "
            "causes is left out. The limits are the bounds of a spread that is bounded on both sides, and the "
            f"{low:.3f} % and {high:.3f} % quantiles of any other; of a spread taken from few units, those of one "
            "further unit. Root sum square: terms of first order, and with those of second order, at k = "
            f"{COVERAGE:g} (JCGM 100, 5.1.2 and 5.2.2), the rounding of each reading included (F.2.2.1). Monte Carlo: "
            f"{low:.3f} % to {high:.3f} % of the errors drawn. The ratios are half widths over that of Monte Carlo: "
            "above 1 pessimistic, below 1 optimistic. The methods agree where both ends of the root sum square lie "
            f"within {100.0 * TOLERANCE:.0f} % of the half width of Monte Carlo."
        )
    ]
    for (verdict, loads), names in _warnings(results).items():
        blocks.append(Text(f"At {loads} with {' and '.join(map(repr, names))}: {verdict}.", warning=True))
    blocks += [_worst_case_table(option) for option in results.options]
    if len(focus.extremes):  # none where nothing varies
        blocks.append(_corner_table(focus))
    axes = figures.worst_case_ways(results, focus.name)
    text = "Worst case by three methods at each check load."
    alternative = f"Three ranges at each load for {focus.name}, against the permissible error."
    shown = picture("worst-case", figures.figure_of(axes), style.caption(results, text), alternative)
    return Section("Worst case by three methods", (*blocks, shown))


def _worst_case_table(option: OptionResult) -> Table:
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
    verdicts = [f"{row['verdict']}; {row['why']}" if row["why"] else str(row["verdict"]) for row in rows]
    body = tuple(
        zip(loads, *(_range_column(found, shown) for found in ranges), *ratios, verdicts, strict=True)
    )
    columns = (
        f"Load ({load_unit})", f"Extreme value ({unit})", f"Root sum square ({unit})", f"with second order ({unit})",
        f"Monte Carlo ({unit})", "Extreme / draws", "RSS / draws", "Verdict, and why",
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
    return Table(text, columns, rows, 4)


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


def _warnings(results: Results) -> dict[tuple[str, str], list[str]]:
    """Options that share a warning at the same loads, by warning and loads."""
    found: dict[tuple[str, str], list[str]] = {}
    for option in results.options:
        odd = option.worst_case[~option.worst_case["verdict"].isin((AGREE, NOTHING))]
        for verdict, rows in odd.groupby("verdict", sort=False):
            loads, unit = loads_of([row for _, row in rows.iterrows()])
            found.setdefault((str(verdict), f"{', '.join(loads)} {unit}"), []).append(option.name)
    return found


def _range_column(ranges: Sequence[tuple[float, float]], scale: numbers.Scale) -> list[str]:
    """Ranges in one format for both ends."""
    ends = plain_column([float(end) for pair in ranges for end in pair], scale)
    return [f"{low} to {high}" for low, high in zip(ends[::2], ends[1::2], strict=True)]
