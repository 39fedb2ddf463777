"""Figures of an error budget: effects over load and temperature, on margin and failing units. Each takes `ax`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from distributions.errors import InvalidArgument
from margin.estimates.error_budget import ErrorBudget
from margin.estimates.shares import FAILING, ErrorShares
from margin.estimates.shares.outputs import error_name
from margin.report import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Array = NDArray[np.float64]

TOGETHER = "together (interactions)"
_FILLS = (
    style.BLUE,
    style.ORANGE,
    style.GREEN,
    style.SKY,
    style.VERMILLION,
    style.PURPLE,
    "#F0E442",
    "#BBBBBB",
)
_HATCHES = ("", "//", "", "..", "", "\\\\", "", "xx")
_SCOPES = (
    ("within", "within a unit: no calibration removes it", style.VERMILLION, "//"),
    ("between", "from unit to unit: a better calibration may", style.SKY, ""),
    ("common", "common to all units", style.BLUE, ".."),
)
_MOST = 7


def _stack(axes: Axes, x: Array, parts: list[tuple[str, Array, str, str]]) -> None:
    """Stacked areas of shares in percent, named beside the right edge, the first at the bottom."""
    bottom = np.zeros_like(x)
    for name, share, colour, hatch in parts:
        top = bottom + 100.0 * share
        axes.fill_between(
            x,
            bottom,
            top,
            facecolor=colour,
            edgecolor=style.BLACK,
            lw=0.4,
            hatch=hatch,
            label=style.label(name, 60),
        )
        bottom = top
    axes.set_xlim(float(x[0]), float(x[-1]))
    axes.set_ylim(0.0, 100.0)
    axes.set_ylabel("Share of the variance (%)")
    handles, labels = axes.get_legend_handles_labels()
    # in the order in which they lie on each other
    axes.legend(
        handles[::-1], labels[::-1], frameon=False, fontsize=8, loc="center left", bbox_to_anchor=(1.01, 0.5)
    )


def _main_effects(rows: pd.DataFrame, x: str) -> tuple[Array, list[tuple[str, Array, str, str]]]:
    """Main effects by group over `x`, the largest at the bottom, what groups do together on top.

    Where estimates exceed 1 together they are scaled to it. Where the output has no effects there is a gap.
    """
    table = rows.pivot(index=x, columns="group", values="main").sort_index()
    table = table.div(table.sum(axis=1).clip(lower=1.0), axis=0)
    order = table.mean().sort_values(ascending=False).index
    shown, rest = order[:_MOST], order[_MOST:]
    parts = [(str(name), table[name].to_numpy(), _FILLS[k], _HATCHES[k]) for k, name in enumerate(shown)]
    if len(rest):
        parts.append(
            (f"other ({len(rest)} causes)", table[rest].sum(axis=1).to_numpy(), _FILLS[-1], _HATCHES[-1])
        )
    parts.append((TOGETHER, 1.0 - sum(part[1] for part in parts), "white", ""))
    return table.index.to_numpy(dtype=np.float64), parts


def shares_over_load(shares: ErrorShares, option: str, ax: Axes | None = None) -> Axes:
    """Main effects by cause over load as stacked areas."""
    axes = style.axes_of(ax, 7.2, 3.2)
    rows = shares.effects
    rows = rows[(rows["option"] == option) & (rows["by"] == "cause")]
    loads = {error_name(load): load for load in shares.case.check_loads}
    rows = rows[rows["output"].isin(list(loads))].assign(load_N=lambda found: found["output"].map(loads))
    _stack(axes, *_main_effects(rows, "load_N"))
    axes.set_xlabel("Load (N)")
    return axes


def scopes_over_load(shares: ErrorShares, option: str, ax: Axes | None = None) -> Axes:
    """What is common to all units, differs between units, moves within a unit, over load."""
    axes = style.axes_of(ax, 7.2, 3.0)
    loads = np.asarray(shares.case.check_loads)
    rows = shares.scopes[shares.scopes["option"] == option].set_index("output")
    table = rows.loc[[error_name(load) for load in loads], [name for name, *_ in _SCOPES]].clip(lower=0.0)
    table = table.div(table.sum(axis=1).clip(lower=1.0), axis=0)
    _stack(axes, loads, [(label, table[name].to_numpy(), c, h) for name, label, c, h in _SCOPES])
    axes.set_xlabel("Load (N)")
    return axes


def spread_over_load(shares: ErrorShares, option: str, ax: Axes | None = None) -> Axes:
    """Standard deviation of the force error over load, split by scope as roots of the variances."""
    axes = style.axes_of(ax, 7.2, 2.6)
    loads = np.asarray(shares.case.check_loads)
    rows = shares.scopes[shares.scopes["option"] == option].set_index("output")
    rows = rows.loc[[error_name(load) for load in loads]]
    whole = rows["standard_deviation"].to_numpy()
    axes.plot(loads, whole, color=style.BLACK, marker="o", ms=3.5, lw=1.6, label="all")
    for (name, label, _, _), colour, line in zip(
        _SCOPES, (style.VERMILLION, style.GREEN, style.BLUE), ("--", "-.", ":"), strict=True
    ):
        low, value, high = (
            whole * np.sqrt(rows[f"{name}{end}"].clip(lower=0.0).to_numpy()) for end in ("_low", "", "_high")
        )
        axes.fill_between(loads, low, high, color=colour, alpha=0.2, lw=0)
        axes.plot(loads, value, color=colour, ls=line, lw=1.4, label=label.split(":")[0])
    axes.set_ylim(bottom=0.0)
    axes.set_xlim(loads[0], loads[-1])
    axes.set_xlabel("Load (N)")
    axes.set_ylabel("Standard deviation (N)")
    axes.legend(frameon=False, fontsize=8, loc="center left", bbox_to_anchor=(1.01, 0.5))
    return axes


def shares_over_temperature(shares: ErrorShares, option: str, output: str, ax: Axes | None = None) -> Axes:
    """Main effects by cause over the temperature in use as stacked areas; ValueError where they were not asked for."""
    if shares.over_temperature is None:
        raise InvalidArgument(
            "shares over temperature were not computed; ask for them with over_temperature=True"
        )
    axes = style.axes_of(ax, 7.2, 3.2)
    rows = shares.over_temperature
    rows = rows[(rows["option"] == option) & (rows["output"] == output)]
    _stack(axes, *_main_effects(rows, "temperature_degC"))
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
    kinds = (("main", -0.14, "white", "o"), ("total", 0.14, style.BLUE, "s"))
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
        colour = style.BLUE if fill == "white" else fill
        low, value, high = (100.0 * shown[f"{kind}{end}"] for end in ("_low", "", "_high"))
        axes.hlines(place + shift, low, high, color=colour, lw=1.2)
        axes.plot(
            value, place + shift, ls="", marker=marker, ms=5, mfc=fill, color=colour, label=f"{kind} effect"
        )
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
    bars = (("frozen", "white", 0.7), ("halved", style.BLUE, 0.36), ("doubled", style.ORANGE, 0.7))
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
            label=change,
        )
        own = rows[rows["change"] == change].set_index("factor").reindex(table.index)
        low, high = own["error_change_N_low"].to_numpy(), own["error_change_N_high"].to_numpy()
        axes.hlines(place, base + low, base + high, color=style.BLACK, lw=0.9)
    axes.axvline(base, color=style.BLACK, lw=0.9)
    axes.set_yticks(place, [style.label(str(name), 60) for name in table.index])
    axes.set_ylim(len(table) - 0.4, -0.6)
    axes.set_xlabel("95 % of |error| stays below (N)")
    axes.legend(frameon=False, fontsize=8, loc="lower right")
    return axes
