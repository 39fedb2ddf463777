"""Figures of an error budget: effects over load and temperature, on margin and failing units. Each takes `ax`."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from distributions.errors import InvalidArgument
from margin.estimates.error_budget import ErrorBudget
from margin.estimates.shares import FAILING, ErrorShares
from margin.estimates.shares.outputs import error_name
from margin.report import style
from margin.report.axes_parts import force_axis, load_axis, load_places

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Array = NDArray[np.float64]

_SCOPES = (
    ("within", "within a unit", "no calibration removes it", style.VERMILLION, "o"),
    ("between", "from unit to unit", "removable by a better calibration", style.BLUE, "s"),
    ("common", "common to all units", "removable by a better curve or reference", style.GREEN, "^"),
)
_HATCHES = {"frozen": "", "halved": "", "doubled": "//"}
_MOST = 6
_LEAST = 0.01
"""Causes whose main effect stays below this share everywhere are counted, not drawn."""


def _whiskers(
    axes: Axes, place: Array, parts: list[tuple[str, style.Look, Array, Array, Array]], width: float = 0.72
) -> None:
    """Shares in percent with their intervals, side by side at each place, and a legend beside the axes."""
    for number, (name, look, value, low, high) in enumerate(parts):
        spots = place + width * ((number + 0.5) / len(parts) - 0.5)
        axes.vlines(spots, 100.0 * low, 100.0 * high, color=look.colour, lw=1.6)
        axes.plot(
            spots, 100.0 * value, ls="", marker=look.marker, ms=4.5, color=look.colour, mec=look.edge, mew=0.8,
            mfc=look.fill, label=style.label(name, 90),
        )  # fmt: skip
    axes.axhline(0.0, color=style.GREY, lw=0.6, label="_zero")
    for between in (place[:-1] + place[1:]) / 2.0:
        axes.axvline(between, color=style.GREY, lw=0.3, label="_between")
    top = (
        100.0
        * max((float(np.max(part[4][np.isfinite(part[4])], initial=0.0)) for part in parts), default=0.0)
        or 100.0
    )
    axes.set_ylim(-0.02 * top, min(1.08 * top, 102.0))
    axes.set_ylabel("Share of the variance (%)")
    if parts:
        axes.legend(
            frameon=False, fontsize=8.5, loc="center left", bbox_to_anchor=(1.01, 0.5), handletextpad=0.2,
            borderaxespad=0.0,
        )  # fmt: skip


def _leading_causes(
    rows: pd.DataFrame, x: str
) -> tuple[Array, list[tuple[str, style.Look, Array, Array, Array]]]:
    """Main effects of the leading causes over `x` with their intervals, the largest first."""
    tables = [
        rows.pivot(index=x, columns="group", values=f"main{end}").sort_index()
        for end in ("", "_low", "_high")
    ]
    largest = tables[0].mean().sort_values(ascending=False, kind="stable").index
    shown = [name for name in largest if tables[0][name].max() >= _LEAST][:_MOST]
    parts = []
    for name in shown:
        value, low, high = (table[name].to_numpy(dtype=np.float64) for table in tables)
        parts.append((str(name), style.look_of_cause(str(name)), value, low, high))
    return tables[0].index.to_numpy(dtype=np.float64), parts


def _count_the_rest(axes: Axes, rows: pd.DataFrame, shown: int) -> None:
    """How many causes are not drawn, where there are some."""
    rest = rows["group"].nunique() - shown
    if rest:
        axes.set_title(f"the leading causes; {rest} smaller not drawn", loc="left")


def shares_over_load(shares: ErrorShares, option: str, ax: Axes | None = None) -> Axes:
    """Main effects of the leading causes at each check load with their intervals."""
    axes = style.axes_of(ax, 7.4, 3.1)
    rows = shares.effects
    rows = rows[(rows["option"] == option) & (rows["by"] == "cause")]
    loads = {error_name(load): load for load in shares.case.check_loads}
    rows = rows[rows["output"].isin(list(loads))].assign(load_N=lambda found: found["output"].map(loads))
    found, parts = _leading_causes(rows, "load_N")
    _whiskers(axes, load_places(axes, shares.case, found), parts)
    _count_the_rest(axes, rows, len(parts))
    return axes


def scopes_over_load(shares: ErrorShares, option: str, ax: Axes | None = None) -> Axes:
    """What is common to all units, differs between units, moves within a unit, at each check load, with intervals."""
    axes = style.axes_of(ax, 7.4, 2.7)
    loads = np.asarray(shares.case.check_loads)
    rows = shares.scopes[shares.scopes["option"] == option].set_index("output")
    table = rows.loc[[error_name(load) for load in loads]]
    parts = []
    for name, scope, remedy, colour, marker in _SCOPES:
        value, low, high = (table[f"{name}{end}"].to_numpy(dtype=np.float64) for end in ("", "_low", "_high"))
        parts.append(
            (textwrap.fill(f"{scope}: {remedy}", 30), style.Look(colour, marker, "-"), value, low, high)
        )
    _whiskers(axes, load_places(axes, shares.case, loads), parts, 0.5)
    return axes


def spread_over_load(shares: ErrorShares, option: str, ax: Axes | None = None) -> Axes:
    """Standard deviation of the force error over load, split by scope as roots of the variances."""
    axes = style.axes_of(ax, 7.4, 2.6)
    loads = np.asarray(shares.case.check_loads)
    rows = shares.scopes[shares.scopes["option"] == option].set_index("output")
    rows = rows.loc[[error_name(load) for load in loads]]
    whole = rows["standard_deviation"].to_numpy()
    axes.plot(loads, whole, color=style.BLACK, marker="D", ms=3.5, lw=1.6, label="all")
    for (name, scope, _, colour, marker), line in zip(_SCOPES, ("--", "-.", ":"), strict=True):
        low, value, high = (
            whole * np.sqrt(rows[f"{name}{end}"].clip(lower=0.0).to_numpy()) for end in ("_low", "", "_high")
        )
        axes.fill_between(loads, low, high, color=colour, alpha=0.2, lw=0)
        axes.plot(loads, value, color=colour, ls=line, marker=marker, ms=3.5, lw=1.4, label=scope)
    axes.set_ylim(bottom=0.0)
    load_axis(axes, shares.case)
    axes.margins(x=0.02)
    force_axis(axes.yaxis, float(np.max(whole[np.isfinite(whole)], initial=0.0)), "Standard deviation")
    axes.legend(frameon=False, fontsize=8.5, loc="center left", bbox_to_anchor=(1.01, 0.5))
    return axes


def shares_over_temperature(shares: ErrorShares, option: str, output: str, ax: Axes | None = None) -> Axes:
    """Main effects of the leading causes at temperatures in use, with intervals; ValueError where not asked for."""
    if shares.over_temperature is None:
        raise InvalidArgument(
            "shares over temperature were not computed; ask for them with over_temperature=True"
        )
    axes = style.axes_of(ax, 7.4, 3.1)
    rows = shares.over_temperature
    rows = rows[(rows["option"] == option) & (rows["output"] == output)]
    found, parts = _leading_causes(rows, "temperature_degC")
    place = np.arange(found.size, dtype=np.float64)
    axes.set_xticks(place, [f"{temperature:.3g}" for temperature in found])
    axes.set_xlim(-0.6, found.size - 0.4)
    _whiskers(axes, place, parts)
    _count_the_rest(axes, rows, len(parts))
    axes.set_xlabel("Temperature in use (°C)")
    return axes


def effect_dots(
    shares: ErrorShares,
    option: str,
    output: str,
    ax: Axes | None = None,
    *,
    by: str = "factor",
    most: int = 12,
) -> Axes:
    """Main (open) and total effect (full) of the leading groups with intervals, the largest total effect on top."""
    kinds = (("main", -0.14, "none", "o"), ("total", 0.14, style.BLUE, "s"))
    return _dots(shares, option, output, "Part of the variance (%)", kinds, ax, by, most)


def cured_dots(
    shares: ErrorShares, option: str, ax: Axes | None = None, *, by: str = "factor", most: int = 12
) -> Axes:
    """Failing units that would conform had one group alone been drawn afresh, the largest part on top."""
    kinds = (("cured", 0.0, style.VERMILLION, "s"),)
    return _dots(shares, option, FAILING, "Failing units cured (%)", kinds, ax, by, most)


def _dots(
    shares: ErrorShares,
    option: str,
    output: str,
    axis: str,
    kinds: tuple[tuple[str, float, str, str], ...],
    ax: Axes | None,
    by: str,
    most: int,
) -> Axes:
    rows = shares.effects
    rows = rows[(rows["option"] == option) & (rows["output"] == output) & (rows["by"] == by)]
    resolved = rows[rows["verdict"] == "resolved"].sort_values("total", ascending=False)
    shown = resolved.head(most)
    axes = style.axes_of(ax, 7.2, 1.2 + 0.3 * (len(shown) + 1))
    place = np.arange(len(shown), dtype=float)
    for kind, shift, fill, marker in kinds:
        colour = style.BLUE if fill == "none" else fill
        low, value, high = (100.0 * shown[f"{kind}{end}"] for end in ("_low", "", "_high"))
        axes.hlines(place + shift, low, high, color=colour, lw=1.2)
        axes.plot(
            value, place + shift, ls="", marker=marker, ms=5, mfc=fill, color=colour, label=f"{kind} effect"
        )
    if by == "cause":
        # beside its name, each cause has the mark and colour that it has in every figure
        for where, name in zip(place, shown["group"], strict=True):
            look = style.look_of_cause(str(name))
            axes.plot(
                [0.0], [where], transform=axes.get_yaxis_transform(), clip_on=False, ls="", marker=look.marker, ms=5,
                color=look.colour, mec=look.edge, mfc=look.fill, label="_cause", scalex=False,
            )  # fmt: skip
    labels = [style.label(str(name), 60) for name in shown["group"]]
    rest = len(rows) - len(shown)
    if rest:
        labels.append(f"{rest} more, {len(rows) - len(resolved)} of them below resolution")
    axes.axvline(0.0, color=style.BLACK, lw=0.8)
    axes.set_yticks(range(len(labels)), labels)
    axes.set_ylim(len(labels) - 0.4, -0.6)
    axes.set_xlim(left=-2.0)
    axes.set_xlabel(axis)
    if len(kinds) > 1:
        axes.legend(frameon=False, fontsize=8, loc="lower right")
    return axes


def action_bars(
    budget: ErrorBudget, option: str, ax: Axes | None = None, *, by: str = "factor", most: int = 10
) -> Axes:
    """95 % of |error| with the spread of a cause frozen or halved (to the left) and doubled (to the right)."""
    rows = budget.actions
    rows = rows[(rows["option"] == option) & (rows["by"] == by)]
    table = rows.pivot(index="factor", columns="change", values="error_change_N")
    seen = rows[rows["verdict"] == "resolved"]["factor"].unique()
    table = table.loc[table.index.isin(seen)]
    size = table[["frozen", "halved", "doubled"]].abs().max(axis=1)
    table = table.loc[size.sort_values(ascending=False).index].head(most)
    axes = style.axes_of(ax, 7.2, 1.2 + 0.34 * max(len(table), 1))
    base = float((rows["error_N"] - rows["error_change_N"]).mean())
    bars = (("frozen", "none", 0.7), ("halved", style.BLUE, 0.36), ("doubled", style.ORANGE, 0.7))
    place = np.arange(len(table), dtype=float)
    for change, colour, height in bars:
        axes.barh(
            place,
            table[change],
            left=base,
            height=height,
            color=colour,
            edgecolor=style.BLACK,
            lw=0.8,
            hatch=_HATCHES[change],
            label=change,
        )
        own = rows[rows["change"] == change].set_index("factor").reindex(table.index)
        low, high = own["error_change_N_low"].to_numpy(), own["error_change_N_high"].to_numpy()
        axes.hlines(place, base + low, base + high, color=style.BLACK, lw=0.9)
    axes.axvline(base, color=style.BLACK, lw=0.9)
    axes.set_yticks(place, [style.label(str(name), 60) for name in table.index])
    axes.set_ylim(len(table) - 0.4, -0.6)
    force_axis(axes.xaxis, abs(base), "95 % of |error| stays below")
    axes.legend(frameon=False, fontsize=8, loc="lower right")
    return axes
