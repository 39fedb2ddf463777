"""Figures of a finished study. Each takes the results and `ax`, draws, and returns the axes; none is shown.

The same calibration option has the same colour, marker and line style in every figure.
"""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from distributions.errors import InvalidArgument
from margin.estimates.results import OptionResult, Results
from margin.report import style
from margin.report.summary import worst_load

_MOST_DIRECT = 5

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def error_over_load(
    results: Results, option: str, ax: Axes | None = None, *, condition: str = "all", units: int = 8
) -> Axes:
    """Median, 5 to 95 % and 0.5 to 99.5 % bands of the error, permissible error and a few single units.

    ValueError where the study has no such condition.
    """
    axes = style.axes_of(ax)
    found = results.option(option)
    rows = _of_condition(found, condition)
    look = style.look(results, option)
    load = rows["load_N"].to_numpy()
    axes.fill_between(
        load, rows["p0_5_N"], rows["p99_5_N"], color=look.colour, alpha=0.15, lw=0, label="0.5 to 99.5 %"
    )
    axes.fill_between(
        load, rows["p5_N"], rows["p95_N"], color=look.colour, alpha=0.35, lw=0, label="5 to 95 %"
    )
    single = results.samples[results.samples["option"] == option]
    for number, (_, unit) in enumerate(single.groupby("unit", sort=True)):
        if number == units:
            break
        axes.plot(unit["load_N"], unit["error_N"], color=style.GREY, lw=0.5, label="_unit")
    axes.plot(load, rows["p50_N"], color=look.colour, marker=look.marker, ms=3.5, lw=1.6, label="median")
    for sign in (-1.0, 1.0):
        axes.plot(
            load, sign * rows["permissible_N"], color=style.BLACK, lw=1.1, ls=(0, (6, 2)), label="_limit"
        )
    axes.axhline(0.0, color=style.GREY, lw=0.6)
    axes.annotate(
        "permissible", (load[-1], float(rows["permissible_N"].iloc[-1])), xytext=(-2, 3),
        textcoords="offset points", ha="right", va="bottom", fontsize=8, rotation=0,
    )  # fmt: skip
    axes.set_xlabel("Load (N)")
    axes.set_ylabel("Force error (N)")
    verdict_line = found.verdict
    axes.set_title("\n".join([*textwrap.wrap(style.label(option), 26), verdict_line]), loc="left")
    return axes


def error_over_load_panels(
    results: Results, *, columns: int = 3, condition: str = "all", units: int = 8
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
        error_over_load(results, name, axes, condition=condition, units=units)
    for position, axes in enumerate(grid):
        if position >= len(names):
            axes.set_visible(False)
        if position % across:
            axes.set_ylabel("")
        if position + across < len(names):
            axes.set_xlabel("")
        else:
            axes.tick_params(labelbottom=True)
    _clip_to_limits(results, grid[0], condition)
    return list(grid[: len(names)])


def yield_by_option(results: Results, ax: Axes | None = None) -> Axes:
    """Decisive yield of each option with its interval (marker), its lower bound with its own (tick), and the target."""
    axes = style.axes_of(ax, 5.6, 1.2 + 0.42 * len(results.options))
    for place, option in enumerate(results.options):
        look, found = style.look(results, option.name), option.decisive_yield
        for shift, shown, marker, fill in (
            (-0.14, found.sampled, look.marker, look.colour), (0.14, found.bound, "|", look.colour),
        ):  # fmt: skip
            axes.hlines(place + shift, 100.0 * shown.low, 100.0 * shown.high, color=look.colour, lw=1.6)
            axes.plot(
                100.0 * shown.value, place + shift, ls="", marker=marker, ms=7, mew=2.0, color=fill,
                label=option.name if shift < 0 else "_bound",
            )  # fmt: skip
    axes.axvline(100.0 * results.case.requirement.target, color=style.BLACK, lw=0.8, ls=(0, (6, 2)))
    axes.set_yticks(range(len(results.options)), [option.name for option in results.options])
    axes.set_ylim(len(results.options) - 0.4, -0.6)
    axes.set_xlabel(f"Yield, counting {results.case.requirement.counts} (%)")
    axes.set_title("marker: yield; upright stroke: its lower bound; dashes: required", loc="left")
    return axes


def yield_against_limit(results: Results, ax: Axes | None = None, *, failing: bool = False) -> Axes:
    """Yield against the permissible error as a multiple of the required one, one line an option.

    It counts units within at every check point, whatever the requirement counts. With `failing` the rest, in
    parts per million on a logarithmic scale; points with fewer than a tenth of a unit failing are left out.
    """
    axes = style.axes_of(ax, 6.2 if len(results.options) <= _MOST_DIRECT else 7.6, 3.6)
    ends: list[tuple[float, float, str, str]] = []
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
        axes.fill_between(multiple, factor * low, factor * high, color=look.colour, alpha=0.25, lw=0)
        axes.plot(
            multiple, factor * middle, color=look.colour, ls=look.line, marker=look.marker, ms=3.5, lw=1.5,
            markevery=max(1, multiple.size // 8), label=style.label(option.name),
        )  # fmt: skip
        ends.append((float(multiple[-1]), float(factor * middle[-1]), style.label(option.name), look.colour))
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
    else:
        axes.set_ylim(0.0, 102.0)
        axes.set_ylabel("Units within at every check point (%)")
    _label_ends(axes, ends)
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
            _bar(axes, place - 0.19, same.iloc[0], "white", look.colour)
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
    """Worst case three ways at each check load, against the permissible error."""
    axes = style.axes_of(ax, 6.2, 3.6)
    rows = results.option(option).worst_case.reset_index(drop=True)
    place = np.arange(len(rows), dtype=float)
    mean, half = rows["rss_mean_N"].to_numpy(), rows["root_sum_square_N"].to_numpy()
    ways = (
        ("extreme value", rows["extreme_low_N"], rows["extreme_high_N"], style.VERMILLION, "s", "-"),
        ("root sum square (k = 3)", mean - half, mean + half, style.BLUE, "o", "--"),
        ("Monte Carlo 0.135 to 99.865 %", rows["monte_carlo_low_N"], rows["monte_carlo_high_N"],
         style.BLACK, "^", "-."),
    )  # fmt: skip
    line: Any
    for number, (name, low, high, colour, marker, line) in enumerate(ways):
        spots = place + 0.22 * (number - 1)
        axes.vlines(spots, low, high, color=colour, linestyles=line, lw=1.4)
        axes.plot(spots, low, ls="", marker=marker, ms=4, color=colour, label=name)
        axes.plot(spots, high, ls="", marker=marker, ms=4, color=colour, label="_upper")
    pooled = _of_condition(results.option(option), "all").set_index("load_N")["permissible_N"]
    permissible = pooled.reindex(rows["load_N"]).to_numpy()
    for sign in (-1.0, 1.0):
        axes.hlines(sign * permissible, place - 0.42, place + 0.42, color=style.BLACK, lw=1.0)
    axes.axhline(0.0, color=style.GREY, lw=0.6)
    axes.set_xticks(place, [f"{load:g}" for load in rows["load_N"]])
    axes.set_xlabel("Load (N)")
    axes.set_ylabel("Force error (N)")
    axes.set_title(f"{style.label(option)}: horizontal strokes are the permissible error", loc="left")
    axes.legend(frameon=False, fontsize=8, loc="upper left")
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
    axes.set_xlabel(f"Force error at {load:g} N (N)")
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
    axes.set_xlabel("Largest error of a unit (multiple of the permissible error)")
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


def _clip_to_limits(results: Results, axes: Axes, condition: str) -> None:
    """Let an option far outside not flatten the others: show at most 2.5 times the permissible error."""
    rows = pd.concat([_of_condition(option, condition) for option in results.options])
    reach = min(
        float(rows[["p0_5_N", "p99_5_N"]].abs().max().max()), 2.5 * float(rows["permissible_N"].max())
    )
    reach = 1.08 * max(reach, float(rows["permissible_N"].max()))
    axes.set_ylim(-reach, reach)


def _label_ends(axes: Axes, ends: list[tuple[float, float, str, str]]) -> None:
    """Names at the line ends, moved apart where they would overlap; many lines get a legend beside them."""
    if not ends:
        return
    if len(ends) > _MOST_DIRECT:
        axes.legend(
            frameon=False, fontsize=8.5, loc="center left", bbox_to_anchor=(1.0, 0.5), handlelength=3.4
        )
        return
    transform = axes.transData
    heights = [transform.transform((x, y))[1] for x, y, _, _ in ends]
    order = np.argsort(heights)
    spacing = 11.0 * axes.figure.dpi / 72.0
    placed: dict[int, float] = {}
    floor = -np.inf
    for index in order:
        placed[int(index)] = floor = max(float(heights[index]), floor + spacing)
    excess = max(0.0, max(placed.values()) - float(axes.bbox.ymax))
    for index, (x, y, name, colour) in enumerate(ends):
        shift = (placed[index] - excess - heights[index]) * 72.0 / axes.figure.dpi
        axes.annotate(
            name, (x, y), xytext=(6, shift), textcoords="offset points", color=colour, fontsize=8.5,
            va="center", annotation_clip=False,
        )  # fmt: skip
