"""The sections of the page that show errors, saturation, and what causes them."""

from __future__ import annotations

import pandas as pd

from margin.estimates import numbers
from margin.estimates.budget_findings import of_runs
from margin.estimates.number_columns import (
    PERCENT,
    Cell,
    change_column,
    column,
    plain_column,
    scale_of,
)
from margin.estimates.results import OptionResult, Results
from margin.messages.sentences import said
from margin.report import figures, style
from margin.report.blocks import (
    Block,
    Listing,
    Section,
    Table,
    Text,
    bare,
    forces,
    loads_of,
    picture,
)
from margin.report.by_option import by_option, focus_place, option_picture
from margin.report.effects import effect_blocks, in_words, leading_effect
from margin.report.summary import budget_rows, changed, entry_of, leading_causes, option_lines, rank_shown
from margin.report.where import WHERE, largest_contribution, scopes_table, where_section

_NO_EFFECTS = "Not determined: this study was run without a budget, or nothing varies."
_NO_READING = "no percentage at zero load"


def errors(results: Results) -> Section:
    """Errors by load and condition in force, percent of reading and percent of span."""
    text = "95 % of |error| of each option over the permissible error, by load; below 1 is within. Bands are intervals."
    compared = picture(
        "error-by-option",
        figures.figure_of(figures.error_by_option(results)),
        style.caption(results, text),
        "One line a calibration option over load, named at its end.",
    )
    shown = by_option(results, lambda option: _errors_of(results, option))
    answers = tuple(f"{line.name}: 95 % of |error| below {line.error_text}" for line in option_lines(results))
    return Section(
        "Errors by load and condition",
        (
            Text("Errors are indicated less true force; the interval of each percentile is in errors.csv."),
            compared,
            shown,
        ),
        answers=answers,
        focus=focus_place(results),
    )


def _errors_of(results: Results, option: OptionResult) -> tuple[Block, ...]:
    """Errors of one option: by condition at the least favourable load as a figure, all of them as a table."""
    axes = figures.error_by_condition(results, option.name)
    text = "Error by condition at the least favourable load: median, 5 to 95 % (thick), 0.5 to 99.5 % (thin)."
    return (
        option_picture(
            results,
            option,
            "error-by-condition",
            figures.figure_of(axes),
            style.caption(results, text),
            f"One line a condition for {option.name}, against the permissible error.",
        ),
        _errors_table(option),
    )


def _errors_table(option: OptionResult) -> Table:
    all_rows = [row for _, row in option.errors.iterrows()]
    loads, load_unit = loads_of(all_rows)
    scale = forces(all_rows, "permissible_N", "p95_abs_N")
    unit, shown = scale.unit, bare(scale)
    one = numbers.Scale(1.0, "")

    def with_ends(name: str) -> tuple[Cell, ...]:
        return column([entry_of(row, name) for row in all_rows], shown)

    def plain(name: str, scale: numbers.Scale, reason: str = numbers.NO_REASON) -> tuple[str, ...]:
        return plain_column([_number(row[name]) for row in all_rows], scale, reason=reason)

    body = tuple(
        (str(row["condition"]), load, limit, median.value, f"{low.value} to {high.value}", p95.text, *shares)
        for row, load, limit, median, low, high, p95, *shares in zip(
            all_rows, loads, plain("permissible_N", shown), with_ends("p50_N"), with_ends("p5_N"),
            with_ends("p95_N"), with_ends("p95_abs_N"), plain("p95_abs_reading", one, _NO_READING),
            plain("p95_abs_span", one),
            strict=True,
        )
    )  # fmt: skip
    columns = (
        "Condition", f"Load ({load_unit})", f"Permissible ({unit})", f"Median error ({unit})",
        f"5 % to 95 % of errors ({unit})", f"95 % of |error| below ({unit})", "% of reading", "% of span",
    )  # fmt: skip
    return Table(f"Errors with {option.name!r}; 'all' is all conditions together.", columns, body)


def saturation(results: Results) -> Section:
    """Saturated and blind readings, resolution and noise."""
    return Section(
        "Saturation and resolution",
        (by_option(results, lambda option: (_saturation_table(option),)),),
        answers=tuple(map(_saturated, results.options)),
        focus=focus_place(results),
    )


def _saturated(option: OptionResult) -> str:
    share = float(option.saturation["saturated"].max()) if len(option.saturation) else 0.0
    if share == 0.0:
        return "no readings at a limit"
    return f"{numbers.percent(share, digits=2)} of the readings at a limit at the worst load"


def _saturation_table(option: OptionResult) -> Table:
    rows = [row for _, row in option.saturation.iterrows()]
    loads, load_unit = loads_of(rows)
    small = forces(rows, "resolution_N", "noise_N")
    shares = (plain_column([_number(row[n]) for row in rows], PERCENT, 2) for n in ("saturated", "blind"))
    sizes = (
        plain_column([_number(row[n]) for row in rows], bare(small)) for n in ("resolution_N", "noise_N")
    )
    columns = (
        f"Load ({load_unit})", "Readings at a limit", "Readings indistinguishable from zero load",
        f"One count ({small.unit})", f"Noise, rms ({small.unit})",
    )  # fmt: skip
    body = tuple(zip(loads, *shares, *sizes, strict=True))
    return Table(f"Saturation and resolution with {option.name!r}.", columns, body, 0)


def budget(results: Results) -> Section:
    """The budget in full: every cause frozen and halved, in every option."""
    if results.budget.empty:
        return Section("Budget by cause", (Text("Not determined: this study was run without a budget."),))
    blocks: list[Block] = [
        Text(
            "Each line is the same study drawn again with one cause frozen at its nominal value, or with its "
            "spread halved, on the same random numbers. Changes of single causes do not add up. Causes between which "
            "the draws do not decide share a rank, marked '='."
        )
    ]
    blocks.append(by_option(results, lambda option: _budget_blocks(results, option)))
    answers = tuple(_leading(results, option) for option in results.options)
    return Section("Budget by cause", tuple(blocks), answers=answers, focus=focus_place(results))


def _leading(results: Results, option: OptionResult) -> str:
    leading = [cause.factor for cause in leading_causes(results, option.name) if cause.resolved]
    return f"leading: {leading[0]}" if leading else "no cause resolved"


def _budget_blocks(results: Results, option: OptionResult) -> list[Block]:
    """Table of one option; for the one in focus a figure before it, and the causes below resolution by name."""
    focus = option.name == results.focus.name
    blocks = _budget_of(option.name, results.budget, name_all=focus)
    if not focus or budget_rows(results.budget, option.name, "halved").empty:
        return blocks
    axes = figures.budget_bars(results, option.name)
    units = numbers.count(int(results.budget["units"].max()))
    text = f"Change of yield by cause on {units} units drawn again; whiskers are intervals. The study:"
    alternative = (
        f"Bars sorted by rank: what freezing or halving each cause does to the yield of {option.name}."
    )
    drawn = picture("budget", figures.figure_of(axes), style.caption(results, text), alternative)
    return [drawn, *blocks]


def where_in_range(results: Results) -> Section:
    """Which cause sets the error at which load, and what a calibration could remove."""
    shares, focus = results.shares, results.focus.name
    if shares is None:
        return Section(WHERE, (Text(_NO_EFFECTS),))
    found = where_section(shares, focus, results.version)
    shown = by_option(
        results,
        lambda option: found.blocks if option.name == focus else (scopes_table(shares, option.name),),
    )
    reported = Listing("Runs", tuple(said(of_runs(run)) for run in shares.runs))
    answers = tuple(largest_contribution(shares, option.name) for option in results.options)
    return Section(WHERE, (shown, reported), answers=answers, focus=focus_place(results))


def effects_of_causes(results: Results) -> Section:
    """Which causes set the conformity margin of an option, and make its units fail."""
    heading = "Effects of causes on margin and failing units"
    shares = results.shares
    if shares is None:
        return Section(heading, (Text(_NO_EFFECTS),))
    focus = results.focus.name
    shown = by_option(
        results,
        lambda option: effect_blocks(
            shares, option.name, results.version, explained=False, drawn=option.name == focus
        ),
    )
    answers = tuple(leading_effect(shares, option.name) for option in results.options)
    explained = tuple(map(Text, in_words(shares)))
    return Section(heading, (*explained, shown), answers=answers, focus=focus_place(results))


def _budget_of(option: str, budget: pd.DataFrame, *, name_all: bool) -> list[Block]:
    """Causes of one option that move yield or error beyond their noise; the others by number or name."""
    halved, frozen = (budget_rows(budget, option, change) for change in ("halved", "frozen"))
    if halved.empty:
        return []
    other = {(row["factor"], row["part"], row["level"]): row for _, row in frozen.iterrows()}
    pairs = [(row, other[row["factor"], row["part"], row["level"]]) for _, row in halved.iterrows()]
    told = [pair for pair in pairs if any(found["verdict"] == "resolved" for found in pair)]
    silent = [str(row["factor"]) for row, _ in pairs if not any(row is kept for kept, _ in told)]
    errors = [entry_of(found, "error_change_N") for pair in told for found in pair]
    scale = scale_of(errors, "N")
    changes = [
        [changed(cell) for cell in change_column([entry_of(pair[side], name) for pair in told], shown)]
        for side in (0, 1)
        for name, shown in (("yield_change", numbers.Scale(100.0, "")), ("error_change_N", bare(scale)))
    ]
    body = tuple(
        (rank_shown(row, budget), str(row["factor"]), f"{row['part']}, {row['level']}", *texts)
        for (row, _), *texts in zip(told, *changes, strict=True)
    )
    unit = scale.unit
    columns = (
        "Rank",
        "Cause",
        "Part, level",
        "Halved: yield (points)",
        f"Halved: 95 % of |error| ({unit})",
        "Frozen: yield (points)",
        f"Frozen: 95 % of |error| ({unit})",
    )
    table = Table(f"Change by cause with {option!r}.", columns, body, 3)
    if not silent:
        return [table]
    named = f": {', '.join(silent)}" if name_all else ""
    return [
        table,
        Text(f"{len(silent)} further cause(s) below resolution, with numbers in budget.csv{named}."),
    ]


def _number(value: object) -> float:
    return float("nan") if value is None else float(str(value))
