"""Figures of a finished study. Each takes the results and `ax`, draws, and returns the axes; none is shown.

The same calibration option has the same colour, marker and line style in every figure.
"""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from distributions.errors import InvalidArgument
from margin.estimates import numbers
from margin.estimates.results import OptionResult, Results
from margin.report import style
from margin.report.axes_parts import (
    DASHES,
    End,
    failing_axis,
    force_axis,
    load_axis,
    load_places,
    load_text,
    name_ends,
    permissible_lines,
)
from margin.report.summary import worst_load

_MOST_LIMITS = 3.0
"""An error axis reaches this many times the permissible error, so that an option far outside flattens no other."""

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


_NAMED_PERCENTILES = (
    ("p99_5", "99.5 %"),
    ("p95", "95 %"),
    ("p50", "median"),
    ("p5", "5 %"),
    ("p0_5", "0.5 %"),
)


def error_over_load(
    results: Results,
    option: str,
    ax: Axes | None = None,
    *,
    condition: str = "all",
    units: int = 8,
    newtons: bool = False,
    named: bool = True,
) -> Axes:
    """Median, 5 to 95 % and 0.5 to 99.5 % bands of the error over load, and a few single units in thin grey.

    Errors are fractions of the permissible error, which lies at -1 and 1; with `newtons` they are forces. `named`
    writes the percentiles beside the right edge. ValueError where the study has no such condition.
    """
    axes = style.axes_of(ax, 5.4, 3.3)
    found = results.option(option)
    rows = _of_condition(found, condition)
    look = style.look(results, option)
    load, permissible = rows["load_N"].to_numpy(), rows["permissible_N"].to_numpy()
    unit = np.ones_like(permissible) if newtons else permissible
    bands = (("p0_5", "p99_5", 0.15, "0.5 to 99.5 %"), ("p5", "p95", 0.35, "5 to 95 %"))
    for low, high, alpha, name in bands:
        axes.fill_between(
            load, rows[f"{low}_N"] / unit, rows[f"{high}_N"] / unit, color=look.colour, alpha=alpha, lw=0, label=name
        )  # fmt: skip
    single = results.samples[results.samples["option"] == option]
    for number, (_, drawn) in enumerate(single.groupby("unit", sort=True)):
        if number == units:
            break
        by_load = drawn.set_index("load_N")["error_N"].reindex(load).to_numpy()
        axes.plot(load, by_load / unit, color=style.GREY, lw=0.5, label="_unit")
    axes.plot(load, rows["p50_N"] / unit, color=look.colour, marker=look.marker, mec=look.edge, mew=0.7, ms=3.5,
              lw=1.6,               label="median")  # fmt: skip
    load_axis(axes, results.case)
    axes.margins(x=0.02)
    if newtons:
        axes.axhline(0.0, color=style.GREY, lw=0.6, label="_zero")
        for sign in (-1.0, 1.0):
            axes.plot(load, sign * permissible, color=style.BLACK, lw=1.1, ls=DASHES, label="_limit")
        limit = float(np.nanmax(permissible))
    else:
        permissible_lines(axes)
        axes.set_ylabel("Error / permissible error")
        limit = 1.0
    reach = _reach(rows, unit, limit)
    axes.set_ylim(-reach, reach)
    if newtons:
        force_axis(axes.yaxis, reach, "Force error")
    told = textwrap.wrap(style.label(option), 30)
    axes.set_title(
        f"{style.label(option)}: {found.verdict}" if named else "\n".join([*told, found.verdict]), loc="left"
    )
    if named:
        ends = [
            End(float(load[-1]), float(rows[f"{column}_N"].iloc[-1] / unit[-1]), name)
            for column, name in _NAMED_PERCENTILES
        ]
        name_ends(axes, [end for end in ends if abs(end.y) <= reach])
    return axes


def error_over_load_panels(
    results: Results, *, columns: int = 3, condition: str = "all", units: int = 8, newtons: bool = False
) -> list[Axes]:
    """`error_over_load` of every option side by side with one shared error axis."""
    names = [option.name for option in results.options]
    across = min(columns, len(names))
    if len(names) == 4:
        across = 2
    down = -(-len(names) // across)
    figure = style.new_figure(2.5 * across + 0.4, 2.45 * down + 0.4)
    grid = figure.subplots(down, across, sharey=True, sharex=True, squeeze=False).ravel()
    for name, axes in zip(names, grid, strict=False):
        error_over_load(results, name, axes, condition=condition, units=units, newtons=newtons, named=False)
    for position, axes in enumerate(grid):
        if position >= len(names):
            axes.set_visible(False)
        if position % across:
            axes.set_ylabel("")
        if position + across < len(names):
            axes.set_xlabel("")
        else:
            axes.tick_params(labelbottom=True)
    frames = [_of_condition(option, condition) for option in results.options]
    limit = max(float(rows["permissible_N"].max()) for rows in frames) if newtons else 1.0
    reach = max(_reach(rows, 1.0 if newtons else rows["permissible_N"].to_numpy(), limit) for rows in frames)
    grid[0].set_ylim(-reach, reach)
    return list(grid[: len(names)])


def error_by_option(results: Results, ax: Axes | None = None, *, condition: str = "all") -> Axes:
    """95 % of |error| over the permissible error, by load, a line an option, named at its end; below 1 is within.

    The axis is logarithmic, so that good and bad options are readable together; bands are intervals.
    """
    axes = style.axes_of(ax, 7.2, 3.0)
    focus = results.focus.name
    ends: list[End] = []
    for option in results.options:
        look, rows = style.look(results, option.name), _of_condition(option, condition)
        load, permissible = rows["load_N"].to_numpy(), rows["permissible_N"].to_numpy()
        with np.errstate(divide="ignore", invalid="ignore"):
            middle, low, high = (
                rows[f"p95_abs_N{end}"].to_numpy(dtype=np.float64) / permissible
                for end in ("", "_low", "_high")
            )
        axes.fill_between(load, low, high, color=look.colour, alpha=0.2, lw=0)
        axes.plot(
            load, middle, color=look.colour, ls=look.line, marker=look.marker, mec=look.edge, mew=0.7, ms=4,
            lw=2.2 if option.name == focus else 1.3, label=style.label(option.name),
        )  # fmt: skip
        ends.append(End(float(load[-1]), float(middle[-1]), option.name, look))
    axes.axhline(1.0, color=style.BLACK, lw=1.1, ls=DASHES, label="_limit")
    load_axis(axes, results.case)
    axes.margins(x=0.02)
    axes.set_yscale("log")
    low, high = axes.get_ylim()
    low, high = min(low, 0.5), max(high, 2.0)
    ticks = [
        tick
        for tick in (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
        if low <= tick <= high
    ]
    axes.set_yticks(ticks, [f"{tick:g}" for tick in ticks])
    axes.set_yticks([], minor=True)
    axes.set_ylim(low, high)
    axes.set_ylabel("95 % of |error| / permissible")
    name_ends(axes, ends)
    return axes


_VERDICT_MARKS = {
    "conforms": "\N{CHECK MARK} conforms",
    "does not conform": "\N{MULTIPLICATION X} does not conform",
    "undecided": "? undecided",
}


def yield_by_option(results: Results, ax: Axes | None = None) -> Axes:
    """Decisive yield of each option with its interval (its marker), its lower bound with its own (upright stroke).

    The axis is spaced by the logarithm of the failing units, so that 95 and 99.9 % are apart; the required yield is a
    dashed line. Verdict (by sign and word) and time a unit stand beside.
    """
    axes = style.axes_of(ax, 6.3, 1.1 + 0.32 * len(results.options))
    ends: list[float] = []
    for place, option in enumerate(results.options):
        look, found = style.look(results, option.name), option.decisive_yield
        for shift, shown, marker, size, name in (
            (-0.13, found.sampled, look.marker, 6.5, style.label(option.name)), (0.17, found.bound, "|", 9.0, "_bound"),
        ):  # fmt: skip
            axes.hlines(place + shift, 100.0 * shown.low, 100.0 * shown.high, color=look.colour, lw=1.6)
            axes.plot(
                100.0 * shown.value, place + shift, ls="", marker=marker, ms=size, mew=2.0 if marker == "|" else 1.0,
                color=look.colour, mec=look.edge, label=name,
            )  # fmt: skip
            ends += [shown.value, shown.high]
        for offset, text in ((6, _VERDICT_MARKS[option.verdict]), (96, numbers.plain(option.seconds, "s"))):
            _beside(axes, place, offset, text)
    _beside(axes, -1.0, 6, "Verdict")
    _beside(axes, -1.0, 96, "Time a unit")
    target = results.case.requirement.target
    axes.axvline(100.0 * target, color=style.BLACK, lw=1.1, ls=DASHES, label="_target")
    axes.annotate(
        f"required {numbers.percent(target)}", (100.0 * target, 1.0), xycoords=("data", "axes fraction"), xytext=(0, 2),
        textcoords="offset points", ha="center", va="bottom", fontsize=8.5,
    )  # fmt: skip
    failing_axis(axes, 100.0 * max([target, *(end for end in ends if end < 1.0)]), 0.5 / results.units)
    axes.set_yticks(range(len(results.options)), [style.label(option.name) for option in results.options])
    axes.tick_params(axis="y", length=0)
    axes.set_ylim(len(results.options) - 0.4, -0.6)
    axes.set_xlabel(
        f"Yield, counting {results.case.requirement.counts} (%): marker; its lower bound: upright stroke"
    )
    return axes


def _beside(axes: Axes, place: float, offset: float, text: str) -> None:
    """Text to the right of the axes, at the height of a row."""
    axes.annotate(
        text, (1.0, place), xycoords=("axes fraction", "data"), xytext=(offset, 0), textcoords="offset points",
        va="center", fontsize=8.5, annotation_clip=False,
    )  # fmt: skip


def yield_against_limit(results: Results, ax: Axes | None = None, *, failing: bool = False) -> Axes:
    """Yield against the permissible error as a multiple of the required one, one line an option.

    It counts units within at every check point, whatever the requirement counts. With `failing` the rest, in
    parts per million on a logarithmic scale; points with fewer than a tenth of a unit failing are left out.
    """
    axes = style.axes_of(ax, 7.2, 3.4)
    ends: list[End] = []
    for option in results.options:
        look = style.look(results, option.name)
        curve = option.limit_curve
        middle, low, high = (curve[name].to_numpy() for name in ("yield", "yield_low", "yield_high"))
        multiple = curve["multiple"].to_numpy()
        if failing:
            middle, low, high = 1.0 - middle, 1.0 - high, 1.0 - low
            seen = middle >= 0.1 / results.units
            multiple, middle, low, high = multiple[seen], middle[seen], low[seen], high[seen]
            low = np.maximum(low, 0.1 * middle)
        if not multiple.size:
            continue
        factor = 1e6 if failing else 100.0
        axes.fill_between(multiple, factor * low, factor * high, color=look.colour, alpha=0.15, lw=0)
        axes.plot(
            multiple, factor * middle, color=look.colour, ls=look.line, marker=look.marker, mec=look.edge, mew=0.7,
            ms=3.5, lw=1.5,
            markevery=max(1, multiple.size // 8), label=style.label(option.name),
        )  # fmt: skip
        ends.append(End(float(multiple[-1]), float(factor * middle[-1]), option.name, look))
    target = results.case.requirement.target
    axes.axvline(1.0, color=style.BLACK, lw=0.8)
    axes.axhline(
        1e6 * (1.0 - target) if failing else 100.0 * target, color=style.BLACK, lw=0.8, ls=(0, (6, 2))
    )
    axes.set_xscale("log")
    ticks = [0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0]
    axes.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    axes.set_xticks([], minor=True)
    multiples = pd.concat([option.limit_curve["multiple"] for option in results.options])
    axes.set_xlim(float(multiples.min()), float(multiples.max()))
    axes.set_xlabel("Permissible error (multiple of the required one)")
    if failing:
        axes.set_yscale("log")
        axes.set_ylabel("Units beyond at a check point (ppm)")
        axes.set_ylim(bottom=1e5 / results.units, top=2e6)
        powers = [10.0**k for k in range(-3, 7) if 1e5 / results.units <= 10.0**k <= 2e6]
        axes.set_yticks(
            powers, [numbers.count(int(power)) if power >= 1.0 else f"{power:g}" for power in powers]
        )
        axes.set_yticks([], minor=True)
    else:
        axes.set_ylim(0.0, 102.0)
        axes.set_ylabel("Units within at every check point (%)")
    name_ends(axes, ends)
    return axes


def budget_bars(results: Results, option: str, ax: Axes | None = None, *, most: int = 10) -> Axes:
    """Change of yield with each cause frozen (pale bar) and halved (full bar), with intervals, by rank.

    Ties carry '='; causes beyond `most` and those below resolution are counted in the last line.
    """
    from margin.report.summary import budget_rows, rank_shown

    halved = budget_rows(results.budget, option, "halved")
    frozen = results.budget[(results.budget["option"] == option) & (results.budget["change"] == "frozen")]
    resolved = halved[halved["verdict"] == "resolved"]
    shown = resolved.head(most)
    axes = style.axes_of(ax, 6.4, 1.2 + 0.42 * (len(shown) + 1))
    look = style.look(results, option)
    labels: list[str] = []
    for place, (_, row) in enumerate(shown.iterrows()):
        same = frozen[(frozen["factor"] == row["factor"]) & (frozen["part"] == row["part"])]
        if len(same):
            _bar(axes, place - 0.19, same.iloc[0], "none", look.colour)
        _bar(axes, place + 0.19, row, look.colour, look.colour)
        labels.append(
            f"{rank_shown(row, results.budget)}  {style.label(row['factor'], 60)}\n{row['part']}, {row['level']}"
        )
    rest = len(halved) - len(shown)
    if rest:
        unresolved = len(halved) - len(resolved)
        labels.append(f"{rest} more, {unresolved} of them\nbelow resolution")
    axes.axvline(0.0, color=style.BLACK, lw=0.8)
    axes.set_yticks(range(len(labels)), labels)
    axes.set_ylim(len(labels) - 0.4, -0.6)
    axes.set_xlabel("Change of yield (percentage points)")
    axes.set_title(f"{style.label(option)}: open bar cause frozen, full bar spread halved", loc="right")
    return axes


def worst_case_ways(results: Results, option: str, ax: Axes | None = None) -> Axes:
    """Worst case three ways at each check load, as fractions of the permissible error: short bars with end strokes."""
    axes = style.axes_of(ax, 7.2, 3.1)
    rows = results.option(option).worst_case.reset_index(drop=True)
    place = load_places(axes, results.case, rows["load_N"].to_numpy())
    pooled = _of_condition(results.option(option), "all").set_index("load_N")["permissible_N"]
    permissible = pooled.reindex(rows["load_N"]).to_numpy()
    mean, half = rows["rss_mean_N"].to_numpy(), rows["root_sum_square_N"].to_numpy()
    ways = (
        ("extreme value", rows["extreme_low_N"], rows["extreme_high_N"], style.VERMILLION, "s"),
        ("root sum square (k = 3)", mean - half, mean + half, style.BLUE, "o"),
        ("Monte Carlo, 0.135 to 99.865 %", rows["monte_carlo_low_N"], rows["monte_carlo_high_N"],
         style.BLACK, "^"),
    )  # fmt: skip
    for number, (name, low, high, colour, marker) in enumerate(ways):
        spots = place + 0.22 * (number - 1)
        axes.vlines(spots, low / permissible, high / permissible, color=colour, lw=1.2)
        for ends, label in ((low, name), (high, "_upper")):
            axes.plot(spots, ends / permissible, ls="", marker=marker, ms=4.5, color=colour, label=label)
    permissible_lines(axes)
    axes.set_ylabel("Error / permissible error")
    axes.legend(
        frameon=False, fontsize=8.5, loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=3, borderaxespad=0.0,
        handletextpad=0.2, columnspacing=1.5,
    )  # fmt: skip
    return axes


def error_by_condition(results: Results, option: str, ax: Axes | None = None) -> Axes:
    """Error by condition at the load where 95 % of |error| comes closest to the permissible error."""
    found = results.option(option)
    load = float(worst_load(found)["load_N"])
    rows = found.errors[found.errors["load_N"] == load].reset_index(drop=True)
    axes = style.axes_of(ax, 5.8, 1.3 + 0.35 * len(rows))
    look = style.look(results, option)
    place = np.arange(len(rows))
    axes.hlines(place, rows["p0_5_N"], rows["p99_5_N"], color=look.colour, lw=1.0)
    axes.hlines(place, rows["p5_N"], rows["p95_N"], color=look.colour, lw=5.0, alpha=0.45)
    axes.plot(rows["p50_N"], place, ls="", marker=look.marker, ms=5, color=look.colour, label="median")
    for sign in (-1.0, 1.0):
        axes.plot(
            sign * rows["permissible_N"], place, ls=(0, (6, 2)), lw=1.1, color=style.BLACK, label="_limit"
        )
    axes.axvline(0.0, color=style.GREY, lw=0.6)
    axes.set_yticks(
        place, ["all together" if name == "all" else style.label(name) for name in rows["condition"]]
    )
    axes.set_ylim(len(rows) - 0.4, -0.6)
    reach = float(rows[["p0_5_N", "p99_5_N", "permissible_N"]].abs().max().max())
    force_axis(axes.xaxis, reach, f"Force error at {load_text(results.case, load)}")
    axes.set_title(f"{style.label(option)}: dashes are the permissible error", loc="left")
    return axes


def largest_error(results: Results, ax: Axes | None = None) -> Axes:
    """Largest error of a unit relative to the permissible one, by option; 1 is the limit."""
    axes = style.axes_of(ax, 5.6, 1.2 + 0.35 * len(results.options))
    for place, option in enumerate(results.options):
        look = style.look(results, option.name)
        largest = option.largest
        axes.hlines(place, largest.low, largest.high, color=look.colour, lw=1.6)
        axes.plot(
            largest.value,
            place,
            ls="",
            marker=look.marker,
            ms=6,
            color=look.colour,
            label=style.label(option.name),
        )
    axes.axvline(1.0, color=style.BLACK, lw=1.0)
    axes.set_yticks(range(len(results.options)), [style.label(option.name) for option in results.options])
    axes.set_ylim(len(results.options) - 0.4, -0.6)
    axes.set_xlim(left=0.0)
    axes.set_xlabel("Largest error of a unit / permissible error")
    return axes


def figure_of(axes: Axes) -> Figure:
    """The whole figure that the axes stand in."""
    figure = axes.get_figure(root=True)
    if figure is None:
        raise InvalidArgument("these axes belong to no figure; draw on axes made by Figure.subplots()")
    return figure


def _of_condition(option: OptionResult, condition: str) -> pd.DataFrame:
    rows = option.errors[option.errors["condition"] == condition]
    if rows.empty:
        known = ", ".join(sorted(set(option.errors["condition"])))
        raise InvalidArgument(
            f"no condition {condition!r} in the errors of {option.name!r}; choose one of: {known}"
        )
    return rows.sort_values("load_N")


def _bar(axes: Axes, place: float, row: pd.Series, fill: str, edge: str) -> None:
    value, low, high = (100.0 * float(row[f"yield_change{end}"]) for end in ("", "_low", "_high"))
    axes.barh(place, value, height=0.34, color=fill, edgecolor=edge, lw=1.0)
    axes.hlines(place, low, high, color=style.BLACK, lw=1.0)
    axes.vlines((low, high), place - 0.08, place + 0.08, color=style.BLACK, lw=1.0)


def _reach(rows: pd.DataFrame, unit: NDArray[np.float64] | float, limit: float) -> float:
    """Half the height of an error axis: all of the bands, at least the limit, and at most `_MOST_LIMITS` times it."""
    with np.errstate(divide="ignore", invalid="ignore"):
        ends = np.abs(np.stack([rows["p0_5_N"] / unit, rows["p99_5_N"] / unit]))
    largest = float(np.max(ends[np.isfinite(ends)], initial=0.0))
    return min(max(1.08 * largest, 1.2 * limit), _MOST_LIMITS * limit)
