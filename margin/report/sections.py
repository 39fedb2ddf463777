"""The sections of the page that show what was found."""

from __future__ import annotations

import pandas as pd

from margin.estimates.results import OptionResult, Results, Yield
from margin.report import figures, numbers, style
from margin.report.blocks import (
    Block,
    Section,
    Table,
    Text,
    cell,
    cell_digits,
    cell_plain,
    newtons,
    picture,
)
from margin.report.summary import budget_rows, cause_line, counted_in_words, focus_option

_YIELD_WORDS = {
    "readings": "readings within the permissible error",
    "units by share of readings": "units with the stated share of their readings within",
    "units at every check point": "units within at every check point",
}
_AGREE = ("the three agree in kind", "agree", "nothing varies")
_NO_READING = "no percentage at zero load"


def yields(results: Results) -> Section:
    """The three yields of each option, explained, and the limit curve."""
    need = results.case.requirement
    rows = []
    for option in results.options:
        for counts, found in option.yields.items():
            mark = "decides" if counts == option.decisive else ""
            rows.append((option.name, _YIELD_WORDS.get(counts, counts), *_yield_cells(found), mark))
    table = Table(
        "Three yields of each calibration option. They answer different questions and are never compared.",
        ("Calibration", "What is counted", "Share", "Not known", "Between lots", "Lower bound", ""),
        tuple(rows),
        2,
    )
    explained = Text(
        f"The requirement counts {counted_in_words(need)}. The share carries the interval that a finite number "
        "of draws leaves. 'Not known' is the 5 % to 95 % range over what holds for the whole study (station, "
        "spreads estimated from few units); 'between lots' the same over lots. The lower bound is the lower of "
        "the two lower ends. It is what may be promised."
    )
    bias = Table(
        "Bias from a finite number of readings a unit; it does not vanish with more units.",
        ("Calibration", "Yield at every check point moves, readings halved (points)"),
        tuple(
            (o.name, numbers.plain(100.0 * o.readings_bias, digits=2, reason="readings too few to halve"))
            for o in results.options
        ),
    )
    return Section("Yields", (explained, table, bias))


def _yield_cells(found: Yield) -> tuple[str, str, str, str]:
    sampled = found.sampled
    known = "nothing varies" if found.knowledge is None else numbers.share_interval(*found.knowledge)
    lots = "nothing varies" if found.lots is None else numbers.share_interval(*found.lots)
    share = numbers.share(sampled.value, sampled.low, sampled.high)
    return share, known, lots, numbers.lower_bound(found.lower_bound, sampled.low, sampled.high)


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
        f"Smallest permissible error drawn at which the lower end of the yield reaches {numbers.percent(target)}, "
        "as a multiple of the required one.",
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
            f"Errors are indicated less true force. All conditions of {focus.name!r} stand here; those of the "
            "other options in errors.csv. Interval ends of each percentile stand there too."
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
        )  # fmt: skip
    )
    return Section("Errors by load and condition", tuple(blocks))


def _errors_table(option: OptionResult, rows: pd.DataFrame, results: Results) -> Table:
    scale, one = newtons(results), numbers.Scale(1.0, "")
    unit = scale.unit
    body = tuple(
        (
            "all together" if row["condition"] == "all" else str(row["condition"]),
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
        f"5 % to 95 % of errors ({unit})", f"95 % of |error| below ({unit})", "the same, % of reading", "% of span",
    )  # fmt: skip
    return Table(f"Errors with {option.name!r}.", columns, body)


def worst_cases(results: Results) -> Section:
    """Worst case three ways, with a warning where they tell different stories."""
    scale, focus = newtons(results), focus_option(results)
    blocks: list[Block] = [
        Text(
            "Extreme value: the limits of all causes searched together. Root sum square: first-order terms at "
            "k = 3 (JCGM 100, 5.1.2). Monte Carlo: 0.135 % to 99.865 % of the errors drawn."
        )
    ]
    for option in results.options:
        odd = option.worst_case[~option.worst_case["verdict"].isin(_AGREE)]
        for verdict, rows in odd.groupby("verdict", sort=False):
            loads = ", ".join(cell_plain(row, "load_N", scale) for _, row in rows.iterrows())
            blocks.append(Text(f"{option.name}, at {loads} {scale.unit}: {verdict}.", warning=True))
    unit = scale.unit
    for option in results.options:
        body = tuple(
            (
                cell_plain(row, "load_N", scale),
                _range(row["extreme_low_N"], row["extreme_high_N"], scale),
                _range(
                    row["rss_mean_N"] - row["root_sum_square_N"],
                    row["rss_mean_N"] + row["root_sum_square_N"],
                    scale,
                ),
                _range(row["monte_carlo_low_N"], row["monte_carlo_high_N"], scale),
                str(row["verdict"]),
            )
            for _, row in option.worst_case.iterrows()
        )
        columns = (
            f"Load ({unit})", f"Extreme value ({unit})", f"Root sum square ({unit})", f"Monte Carlo ({unit})", "",
        )  # fmt: skip
        blocks.append(Table(f"Worst case with {option.name!r}.", columns, body, 0))
    axes = figures.worst_case_ways(results, focus.name)
    text = "Worst case three ways at each check load."
    alternative = f"Three ranges at each load for {focus.name}, against the permissible error."
    shown = picture("worst-case", figures.figure_of(axes), style.caption(results, text), alternative)
    return Section("Worst case three ways", tuple([*blocks, shown]))


def _range(low: float, high: float, scale: numbers.Scale) -> str:
    bare = numbers.Scale(scale.factor, "")
    return f"{numbers.plain(float(low), scale=bare)} to {numbers.plain(float(high), scale=bare)}"


def saturation(results: Results) -> Section:
    """Saturated and blind readings, resolution and noise."""
    scale = newtons(results)
    small = numbers.scale_for([float(v) for v in results.options[0].saturation["resolution_N"]], "N")
    tables = []
    seen: list[tuple[tuple[tuple[str, ...], ...], list[str]]] = []
    for option in results.options:
        body = tuple(
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
            "spread halved, on the same random numbers. Changes of single causes do not add up. Causes whose "
            "intervals overlap share a rank, marked '='."
        )
    ]
    if not budget_rows(results.budget, focus.name, "halved").empty:
        axes = figures.budget_bars(results, focus.name)
        text = "Change of yield by cause; whiskers are intervals."
        alternative = (
            f"Bars sorted by rank: what freezing or halving each cause does to the yield of {focus.name}."
        )
        blocks.append(picture("budget", figures.figure_of(axes), style.caption(results, text), alternative))
    for option in results.options:
        for change in ("halved", "frozen"):
            rows = budget_rows(results.budget, option.name, change)
            if not rows.empty:
                blocks.append(_budget_table(option.name, change, rows, results, scale))
    return Section("Budget by cause", tuple(blocks))


def _budget_table(
    option: str, change: str, rows: pd.DataFrame, results: Results, scale: numbers.Scale
) -> Table:
    body = []
    for _, row in rows.iterrows():
        line = cause_line(row, results.budget)
        moved = [float(row[f"error_change_N{end}"]) for end in ("", "_low", "_high")]
        body.append(
            (
                line.rank,
                line.factor,
                f"{line.part}, {line.level}",
                line.yield_becomes,
                line.change,
                numbers.change(moved[0], moved[1], moved[2], scale=scale),
            )  # fmt: skip
        )
    columns = (
        "Rank",
        "Cause",
        "Part, level",
        "Yield becomes",
        "Change of yield",
        "Change of 95 % of |error|",
    )
    return Table(
        f"{option}: spread {change}" if change == "halved" else f"{option}: cause frozen",
        columns,
        tuple(body),
        3,
    )
