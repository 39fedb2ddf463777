"""The sections of the page that show what was found."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from margin.estimates import numbers
from margin.estimates.budget_findings import of_runs
from margin.estimates.number_columns import (
    PERCENT,
    Cell,
    bound_column,
    change_column,
    column,
    estimated,
    plain_column,
    range_column,
    scale_of,
    share_column,
)
from margin.estimates.results import OptionResult, Results
from margin.estimates.yield_result import Estimate
from margin.messages.requirement import counted_in_words
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
from margin.report.convergence import lower_bound_over_draws
from margin.report.effects import effect_blocks
from margin.report.summary import budget_rows, changed, entry_of, rank_shown
from margin.report.where import WHERE, where_section

_YIELD_WORDS = {
    "readings": "readings within the permissible error",
    "units by share of readings": "units with the stated share of their readings within",
    "units at every check point": "units within at every check point",
}
_NO_EFFECTS = "Not determined: this study was run without a budget, or nothing varies."
_NO_READING = "no percentage at zero load"


def yields(results: Results) -> Section:
    """The three yields of each option, explained, and the limit curve."""
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
            "5 to 95 % over what is not known",
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
        "interval that a finite number of draws leaves. What is not known holds for the whole study: the station, and "
        "spreads estimated from few units. The lower bound is the 5 % point of the yield over it, or the yield itself "
        "where all is known. An option conforms where the whole interval of its lower bound reaches the target."
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
    return Section("Yields", (explained, three, bounds, *_convergence(results), bias))


def _convergence(results: Results) -> tuple[Block, ...]:
    """How the lower bound of the option in focus settles over the outer draws; nothing where there is but one."""
    option = results.focus
    if option.convergence.empty:
        return ()
    drawn = figures.figure_of(lower_bound_over_draws(results, option.name))
    text = f"Lower bound of the yield with {option.name} over ever more outer draws, with its interval."
    return (picture("lower-bound", drawn, style.caption(results, text), text),)


def _shares(found: Sequence[Estimate]) -> tuple[str, ...]:
    return tuple(cell.text for cell in share_column([estimated(e) for e in found]))


def _yield_cells(results: Results) -> tuple[tuple[str, ...], ...]:
    """Columns of the decisive yield, of its ranges over what is not known and over lots, of its lower bound."""
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
        f"{numbers.percent(target)}, as a multiple of the required one; what is not known is left out.",
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
    return Section("Which limit can be promised", (table, *drawn))


def _yield_picture(results: Results, name: str, text: str, *, failing: bool) -> Block:
    axes = figures.yield_against_limit(results, failing=failing)
    alternative = "One line a calibration option: yield rises with the permissible error."
    return picture(name, figures.figure_of(axes), style.caption(results, text), alternative)


def errors(results: Results) -> Section:
    """Errors by load and condition in force, percent of reading and percent of span."""
    focus = results.focus
    blocks: list[Block] = [
        Text(
            "Errors are indicated less true force. "
            f"All conditions of {focus.name!r} stand here; those of the other options, and the interval of "
            "each percentile, in errors.csv."
        )
    ]
    for option in results.options:
        rows = (
            option.errors if option.name == focus.name else option.errors[option.errors["condition"] == "all"]
        )
        blocks.append(_errors_table(option, rows, results))
    axes = figures.error_by_condition(results, focus.name)
    text = "Error by condition at the least favourable load: median, 5 to 95 % (thick), 0.5 to 99.5 % (thin)."
    blocks.append(
        picture(
            "error-by-condition",
            figures.figure_of(axes),
            style.caption(results, text),
            f"One line a condition for {focus.name}, against the permissible error.",
        )
    )
    panels = figures.error_over_load_panels(results)
    text = (
        "Error over load of each option as a fraction of the permissible error (dashed, -1 and 1): median, 5 to 95 % "
        "(darker) and 0.5 to 99.5 % (paler) of all readings, single units in grey; all panels share one axis, cut at 3."
    )
    alternative = (
        "One panel a calibration option: bands of force error over load, against the permissible error."
    )
    blocks.append(
        picture("error-over-load", figures.figure_of(panels[0]), style.caption(results, text), alternative)
    )
    return Section("Errors by load and condition", tuple(blocks))


def _errors_table(option: OptionResult, rows: pd.DataFrame, results: Results) -> Table:
    all_rows = [row for _, row in rows.iterrows()]
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
    tables = []
    seen: list[tuple[tuple[tuple[str, ...], ...], list[str]]] = []
    for option in results.options:
        rows = [row for _, row in option.saturation.iterrows()]
        loads, load_unit = loads_of(rows)
        small = forces(rows, "resolution_N", "noise_N")
        body = tuple(
            zip(
                loads,
                *(
                    plain_column([_number(row[n]) for row in rows], PERCENT, 2)
                    for n in ("saturated", "blind")
                ),
                *(
                    plain_column([_number(row[n]) for row in rows], bare(small))
                    for n in ("resolution_N", "noise_N")
                ),
                strict=True,
            )
        )
        same = [names for found, names in seen if found == body]
        if same:
            same[0].append(option.name)
        else:
            seen.append((body, [option.name]))
    for body, names in seen:
        who = "every option" if len(names) == len(results.options) else ", ".join(names)
        columns = (
            f"Load ({load_unit})", "Readings at a limit", "Readings indistinguishable from zero load",
            f"One count ({small.unit})", f"Noise, rms ({small.unit})",
        )  # fmt: skip
        tables.append(Table(f"Saturation and resolution with {who}.", columns, body, 0))
    return Section("Saturation and resolution", tuple(tables))


def budget(results: Results) -> Section:
    """The budget in full: every cause frozen and halved, in every option."""
    if results.budget.empty:
        return Section("Budget by cause", (Text("Not determined: this study was run without a budget."),))
    focus = results.focus
    blocks: list[Block] = [
        Text(
            "Each line is the same study drawn again with one cause frozen at its nominal value, or with its "
            "spread halved, on the same random numbers. Changes of single causes do not add up. Causes between which "
            "the draws do not decide share a rank, marked '='."
        )
    ]
    if not budget_rows(results.budget, focus.name, "halved").empty:
        axes = figures.budget_bars(results, focus.name)
        units = numbers.count(int(results.budget["units"].max()))
        text = f"Change of yield by cause on {units} units drawn again; whiskers are intervals. The study:"
        alternative = (
            f"Bars sorted by rank: what freezing or halving each cause does to the yield of {focus.name}."
        )
        blocks.append(picture("budget", figures.figure_of(axes), style.caption(results, text), alternative))
    for option in results.options:
        blocks.extend(_budget_of(option.name, results.budget, name_all=option is focus))
    return Section("Budget by cause", tuple(blocks))


def where_in_range(results: Results) -> Section:
    """Which cause sets the error at which load, and what a calibration could remove."""
    if results.shares is None:
        return Section(WHERE, (Text(_NO_EFFECTS),))
    found = where_section(results.shares, results.focus.name, results.version)
    told = Listing("Runs", tuple(said(of_runs(run)) for run in results.shares.runs))
    return Section(found.heading, (*found.blocks, told))


def effects_of_causes(results: Results) -> Section:
    """Which causes set the conformity margin of the option in focus, and make its units fail."""
    heading = "Effects of causes on margin and failing units"
    if results.shares is None:
        return Section(heading, (Text(_NO_EFFECTS),))
    option = results.focus.name
    return Section(f"{heading} ({option})", tuple(effect_blocks(results.shares, option, results.version)))


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
