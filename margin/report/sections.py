"""The sections of the page that show what was found."""

from __future__ import annotations

import pandas as pd

from margin.estimates import numbers
from margin.estimates.decision import bound_in_words
from margin.estimates.results import OptionResult, Results
from margin.estimates.yield_result import Estimate, Yield
from margin.report import figures, style
from margin.report.blocks import (
    Block,
    Listing,
    Section,
    Table,
    Text,
    cell,
    cell_digits,
    cell_plain,
    newtons,
    picture,
)
from margin.report.convergence import lower_bound_over_draws
from margin.report.effects import effect_blocks
from margin.report.requirement_words import counted_in_words
from margin.report.summary import budget_rows, focus_option, rank_shown
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
            (option.name, *(_share(option.yields[name].sampled) for name in counts))
            for option in results.options
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
        tuple((option.name, *_yield_cells(option.decisive_yield, need.target)) for option in results.options),
    )
    explained = Text(
        f"The requirement counts {counted_in_words(need)}, judged on {results.case.judged_on}. Every share carries the "
        "interval that a finite number of draws leaves. What is not known holds for the whole study: the station, and "
        "spreads estimated from few units. The lower bound is the 5 % point of the yield over it, or the yield itself "
        "where all is known. An option conforms where the whole interval of its lower bound reaches the target."
    )
    bias = Table(
        "Bias from a finite number of readings a unit; it does not vanish with more units.",
        ("Calibration", "Yield at every check point moves, readings halved (points)"),
        tuple(
            (o.name, numbers.plain(100.0 * o.readings_bias, digits=2, reason="readings too few to halve"))
            for o in results.options
        ),
    )
    return Section("Yields", (explained, three, bounds, *_convergence(results), bias))


def _convergence(results: Results) -> tuple[Block, ...]:
    """How the lower bound of the option in focus settles over the outer draws; nothing where there is but one."""
    option = focus_option(results)
    if option.convergence.empty:
        return ()
    drawn = figures.figure_of(lower_bound_over_draws(results, option.name))
    text = f"Lower bound of the yield with {option.name} over ever more outer draws, with its interval."
    return (picture("lower-bound", drawn, style.caption(results, text), text),)


def _share(found: Estimate) -> str:
    return numbers.share(found.value, found.low, found.high)


def _yield_cells(found: Yield, target: float) -> tuple[str, ...]:
    low, high = found.sampled.low, found.sampled.high
    ranges = (
        "nothing varies" if drawn is None else numbers.share_range(*drawn, low, high)
        for drawn in (found.knowledge, found.lots)
    )
    return _share(found.sampled), *ranges, bound_in_words(found, target)


def limit(results: Results) -> Section:
    """Which permissible error could be promised."""
    target = results.case.requirement.target
    rows = []
    for option in results.options:
        curve = option.limit_curve
        reached = curve[curve["yield_low"] >= target]
        if reached.empty:
            rows.append((option.name, "not within the range drawn", "–"))
            continue
        first = reached.sort_values("multiple").iloc[0]
        shown = numbers.share(float(first["yield"]), float(first["yield_low"]), float(first["yield_high"]))
        rows.append((option.name, f"{numbers.plain(float(first['multiple']))} ×", shown))
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
    focus = focus_option(results)
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
    return Section("Errors by load and condition", tuple(blocks))


def _errors_table(option: OptionResult, rows: pd.DataFrame, results: Results) -> Table:
    scale, one = newtons(results), numbers.Scale(1.0, "")
    unit = scale.unit
    body = tuple(
        (
            str(row["condition"]),
            cell_plain(row, "load_N", scale),
            cell_plain(row, "permissible_N", scale),
            cell_digits(row, "p50_N", scale),
            f"{cell_digits(row, 'p5_N', scale)} to {cell_digits(row, 'p95_N', scale)}",
            cell(row, "p95_abs_N", scale),
            cell_plain(row, "p95_abs_reading", one, _NO_READING),
            cell_plain(row, "p95_abs_span", one),
        )
        for _, row in rows.iterrows()
    )
    columns = (
        "Condition", f"Load ({unit})", f"Permissible ({unit})", f"Median error ({unit})",
        f"5 % to 95 % of errors ({unit})", f"95 % of |error| below ({unit})", "% of reading", "% of span",
    )  # fmt: skip
    return Table(f"Errors with {option.name!r}; 'all' is all conditions together.", columns, body)


def saturation(results: Results) -> Section:
    """Saturated and blind readings, resolution and noise."""
    scale = newtons(results)
    small = numbers.scale_for([float(v) for v in results.options[0].saturation["resolution_N"]], "N")
    tables = []
    seen: list[tuple[tuple[tuple[str, ...], ...], list[str]]] = []
    for option in results.options:
        body: tuple[tuple[str, ...], ...] = tuple(
            (
                cell_plain(row, "load_N", scale),
                numbers.percent(float(row["saturated"]), digits=2),
                numbers.percent(float(row["blind"]), digits=2),
                cell_plain(row, "resolution_N", small),
                cell_plain(row, "noise_N", small),
            )
            for _, row in option.saturation.iterrows()
        )
        same = [names for found, names in seen if found == body]
        if same:
            same[0].append(option.name)
        else:
            seen.append((body, [option.name]))
    for body, names in seen:
        who = "every option" if len(names) == len(results.options) else ", ".join(names)
        columns = (
            f"Load ({scale.unit})", "Readings at a limit", "Readings that show no load",
            f"One count ({small.unit})", f"Noise, rms ({small.unit})",
        )  # fmt: skip
        tables.append(Table(f"Saturation and resolution with {who}.", columns, body, 0))
    return Section("Saturation and resolution", tuple(tables))


def budget(results: Results) -> Section:
    """The budget in full: every cause frozen and halved, in every option."""
    if results.budget.empty:
        return Section("Budget by cause", (Text("Not determined: this study was run without a budget."),))
    focus, scale = focus_option(results), newtons(results)
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
        blocks.extend(_budget_of(option.name, results.budget, scale, name_all=option is focus))
    return Section("Budget by cause", tuple(blocks))


def where_in_range(results: Results) -> Section:
    """Which cause sets the error at which load, and what a calibration could remove."""
    if results.shares is None:
        return Section(WHERE, (Text(_NO_EFFECTS),))
    found = where_section(results.shares, focus_option(results).name, results.version)
    told = Listing("Runs", tuple(run.told for run in results.shares.runs))
    return Section(found.heading, (*found.blocks, told))


def effects_of_causes(results: Results) -> Section:
    """Which causes set the conformity margin of the option in focus, and make its units fail."""
    heading = "Effects of causes on margin and failing units"
    if results.shares is None:
        return Section(heading, (Text(_NO_EFFECTS),))
    option = focus_option(results).name
    return Section(f"{heading} ({option})", tuple(effect_blocks(results.shares, option, results.version)))


def _budget_of(option: str, budget: pd.DataFrame, scale: numbers.Scale, *, name_all: bool) -> list[Block]:
    """Causes of one option that move yield or error beyond their noise; the others by number or name."""
    halved, frozen = (budget_rows(budget, option, change) for change in ("halved", "frozen"))
    if halved.empty:
        return []
    other = {(row["factor"], row["part"], row["level"]): row for _, row in frozen.iterrows()}
    body: list[tuple[str, ...]] = []
    silent: list[str] = []
    for _, row in halved.iterrows():
        both = [row, other[row["factor"], row["part"], row["level"]]]
        if all(found["verdict"] != "resolved" for found in both):
            silent.append(str(row["factor"]))
            continue
        changes = (text for found in both for text in _changes(found, scale))
        body.append((rank_shown(row, budget), str(row["factor"]), f"{row['part']}, {row['level']}", *changes))
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
    table = Table(f"Change by cause with {option!r}.", columns, tuple(body), 3)
    if not silent:
        return [table]
    named = f": {', '.join(silent)}" if name_all else ""
    return [
        table,
        Text(f"{len(silent)} further cause(s) below resolution, with numbers in budget.csv{named}."),
    ]


def _changes(row: pd.Series, scale: numbers.Scale) -> tuple[str, str]:
    """Change of yield and of error of one row, their units in the heading."""
    gain = [float(row[f"yield_change{end}"]) for end in ("", "_low", "_high")]
    moved = [float(row[f"error_change_N{end}"]) for end in ("", "_low", "_high")]
    bare = numbers.Scale(scale.factor, "")
    shown = (
        numbers.share_change(gain[0], gain[1], gain[2], unit=""),
        numbers.change(moved[0], moved[1], moved[2], scale=bare),
    )
    return shown[0].split(" (within")[0], shown[1].split(" (within")[0]
