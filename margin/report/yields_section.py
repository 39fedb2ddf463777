"""Sections on the yields of the calibration options, and on the permissible error that could be promised."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from margin.estimates import numbers
from margin.estimates.number_columns import (
    bound_column,
    estimated,
    plain_column,
    range_column,
    share_column,
)
from margin.estimates.results import OptionResult, Results
from margin.estimates.yield_result import Estimate
from margin.messages.requirement import counted_in_words
from margin.report import figures, style
from margin.report.blocks import Block, Section, Table, Text, picture
from margin.report.by_option import by_option, focus_place, option_picture
from margin.report.convergence import lower_bound_over_draws
from margin.report.summary import Summary, entry_of, option_lines

_YIELD_WORDS = {
    "readings": "readings within the permissible error",
    "units by share of readings": "units with the stated share of their readings within",
    "units at every check point": "units within at every check point",
}


def options_table(summary: Summary) -> Table:
    """The options with yields, errors and cost."""
    rows = tuple(
        (
            line.name,
            line.verdict,
            line.yields.text,
            line.bound.text,
            line.error_text,
            line.largest.text,
            line.seconds,
        )
        for line in summary.options
    )
    columns = (
        "Calibration", "Verdict", "Yield (interval)", "Lower bound (interval)", "95 % of |error| below, worst load",
        "Largest error / permissible", "Time a unit",
    )  # fmt: skip
    return Table(
        "Calibration options. The verdict holds the lower bound against the required yield.", columns, rows, 2
    )


def yields(results: Results, summary: Summary) -> Section:
    """Options side by side, the three yields of each, explained, and what bounds the one that decides."""
    need = results.case.requirement
    counts = tuple(results.options[0].yields)
    three = Table(
        "Three yields of each calibration option, with the interval of the draws.",
        (
            "Calibration",
            *(
                _YIELD_WORDS.get(name, name) + (" (decides)" if name == need.counts else "")
                for name in counts
            ),
        ),
        tuple(
            (option.name, *cells)
            for option, *cells in zip(
                results.options,
                *(_shares([option.yields[name].sampled for option in results.options]) for name in counts),
                strict=True,
            )
        ),
    )
    bounds = Table(
        f"What bounds the yield that decides ({_YIELD_WORDS.get(need.counts, need.counts)}).",
        (
            "Calibration",
            "Yield (interval)",
            "5 to 95 % over epistemic uncertainty",
            "5 to 95 % over lots",
            "Lower bound (interval of the 5 % point)",
        ),
        tuple(
            (option.name, *cells)
            for option, *cells in zip(results.options, *_yield_cells(results), strict=True)
        ),
    )
    explained = Text(
        f"The requirement counts {counted_in_words(need)}, judged on {results.case.judged_on}. Every share carries the "
        "interval that a finite number of draws leaves. Epistemic uncertainty (station, and spreads estimated from few "
        "units) is common to the whole study. The lower bound is the 5 % point of the yield over it, or the yield "
        "itself where there is none. An option conforms where the whole interval of its lower bound reaches the target."
    )
    biases = plain_column(
        [option.readings_bias for option in results.options], numbers.Scale(100.0, ""), 2,
        reason="readings too few to halve",
    )  # fmt: skip
    bias = Table(
        "Bias from a finite number of readings a unit; it does not vanish with more units.",
        ("Calibration", "Yield at every check point moves, readings halved (points)"),
        tuple(zip((option.name for option in results.options), biases, strict=True)),
    )
    target = numbers.percent(need.target, digits=6)
    lines = option_lines(results)
    answers = tuple(
        f"{line.name}: {line.yields.value}, lower bound {line.bound.value} against {target}" for line in lines
    )
    blocks = (options_table(summary), explained, three, bounds, *_convergence(results), bias)
    return Section("Yields", blocks, answers=answers, focus=focus_place(results))


def _convergence(results: Results) -> tuple[Block, ...]:
    """How the lower bound of the option in focus converges over the outer draws; nothing where there is but one."""
    option = results.focus
    if option.convergence.empty:
        return ()

    def shown(each: OptionResult) -> tuple[Block, ...]:
        if each.name != option.name:
            return (Text(f"Convergence is drawn for {option.name!r} alone; all options in convergence.csv."),)
        drawn = figures.figure_of(lower_bound_over_draws(results, option.name))
        text = f"Lower bound of the yield with {option.name} over ever more outer draws, with its interval."
        return (option_picture(results, each, "lower-bound", drawn, style.caption(results, text), text),)

    return (by_option(results, shown),)


def _shares(found: Sequence[Estimate]) -> tuple[str, ...]:
    return tuple(cell.text for cell in share_column([estimated(e) for e in found]))


def _yield_cells(results: Results) -> tuple[tuple[str, ...], ...]:
    """Columns of the decisive yield, of its ranges over epistemic uncertainty and over lots, of its lower bound."""
    found = [option.decisive_yield for option in results.options]
    bounds = [estimated(y.bound) for y in found]
    sampled = [estimated(y.sampled) for y in found]
    ranges = (
        range_column(drawn, sampled, none="nothing varies")
        for drawn in ([y.knowledge for y in found], [y.lots for y in found])
    )
    shown = tuple(cell.text for cell in bound_column(bounds, results.case.requirement.target))
    return (_shares([y.sampled for y in found]), *ranges, shown)


def limit(results: Results) -> Section:
    """Which permissible error could be promised."""
    target = results.case.requirement.target
    found: list[pd.Series | None] = []
    for option in results.options:
        curve = option.limit_curve
        reached = curve[curve["yield_low"] >= target].sort_values("multiple")
        found.append(None if reached.empty else reached.iloc[0])
    multiples = plain_column(
        [None if row is None else float(row["multiple"]) for row in found], numbers.Scale(1.0, "×")
    )
    shares = share_column([None if row is None else entry_of(row, "yield") for row in found])
    rows = [
        (option.name, "not within the range drawn" if row is None else multiple, share.text)
        for option, row, multiple, share in zip(results.options, found, multiples, shares, strict=True)
    ]
    table = Table(
        "Smallest permissible error drawn at which the lower end of the yield reaches "
        f"{numbers.percent(target)}, as a multiple of the required one; epistemic uncertainty is left out.",
        ("Calibration", "Permissible error", "Units within at every check point"),
        tuple(rows),
    )
    text = (
        "Yield at every check point against the permissible error. Bands are intervals; the vertical line is "
        "the required permissible error, the dashed line the required yield."
    )
    drawn = (
        _yield_picture(results, "yield-against-limit", text, failing=False),
        _yield_picture(results, "failing-against-limit", f"The same as failing units. {text}", failing=True),
    )
    answers = tuple(
        f"{line.name}: largest error of a unit {line.largest.value} of the permissible one, "
        f"{numbers.percent(target, digits=6)} of units"
        for line in option_lines(results)
    )
    blocks = (table, *drawn)
    return Section("Which limit can be promised", blocks, answers=answers, focus=focus_place(results))


def _yield_picture(results: Results, name: str, text: str, *, failing: bool) -> Block:
    axes = figures.yield_against_limit(results, failing=failing)
    alternative = "One line a calibration option: yield rises with the permissible error."
    return picture(name, figures.figure_of(axes), style.caption(results, text), alternative)
