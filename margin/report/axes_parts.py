"""Parts that figures share: the load axis, permissible errors, names at line ends, shares of failing units."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from margin.case.types import Case
from margin.estimates import numbers
from margin.report import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis

Array = NDArray[np.float64]

DASHES: Any = (0, (6, 2))
_LABEL_APART = 0.055
_SHARES_APART = 0.13
_LINE_OF_TEXT = 11.0


@dataclass(frozen=True)
class End:
    """Where a line ends, in data, and the name to stand there; look None: a name without a mark."""

    x: float
    y: float
    name: str
    look: style.Look | None = None


def load_scale(case: Case) -> numbers.Scale:
    """The unit of force in which all loads and errors of a case are drawn: N, kN or MN."""
    return numbers.scale_for([case.load_high], "N")


def load_text(case: Case, load: float) -> str:
    """A load with its unit: '1.5 MN'."""
    scale = load_scale(case)
    return f"{scale.factor * load:.4g} {scale.unit}"


def load_axis(axes: Axes, case: Case) -> None:
    """The x axis as loads, in N, with ticks at the check loads: logarithmic where that spreads them more evenly."""
    loads = np.asarray(case.check_loads, dtype=np.float64)
    scale = load_scale(case)
    place = _evenly(loads)
    if place is not loads:
        axes.set_xscale("log")
    ticks = [load for load, shown in zip(loads, _apart(place), strict=True) if shown]
    axes.set_xticks(ticks, [f"{scale.factor * tick:.4g}" for tick in ticks])
    axes.set_xticks([], minor=True)
    axes.set_xlabel(f"Load ({scale.unit})")


def load_places(axes: Axes, case: Case, loads: Array) -> Array:
    """Places 0, 1, ... for loads as categories, with their names as ticks."""
    scale = load_scale(case)
    place = np.arange(loads.size, dtype=np.float64)
    axes.set_xticks(place, [f"{scale.factor * load:.4g}" for load in loads])
    axes.set_xlim(-0.6, loads.size - 0.4)
    axes.set_xlabel(f"Load ({scale.unit})")
    return place


def force_axis(axis: Axis, largest: float, what: str) -> None:
    """An axis whose data are in N and reach to `largest`, labelled in N, kN or MN, so that it bears no exponent."""
    from matplotlib.ticker import FuncFormatter

    scale = numbers.scale_for([largest], "N")
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{scale.factor * value:.6g}"))
    axis.set_label_text(f"{what} ({scale.unit})")


def permissible_lines(axes: Axes, *, upright: bool = False) -> None:
    """The permissible error on an axis of fractions of it: lines at -1 and 1, and a fine one at 0."""
    line = axes.axvline if upright else axes.axhline
    line(0.0, color=style.GREY, lw=0.6, label="_zero")
    for limit in (-1.0, 1.0):
        line(limit, color=style.BLACK, lw=1.1, ls=DASHES, label="_limit")


def name_ends(axes: Axes, ends: Sequence[End]) -> None:
    """Names beside the right edge, each joined to the end of its line, moved apart where they would overlap.

    To be called when limits and scales are set: places are fractions of the axes, whose height is taken at its least.
    """
    if not ends:
        return
    from matplotlib.transforms import blended_transform_factory

    to_fraction = axes.transScale + axes.transLimits
    wanted = np.clip([to_fraction.transform((end.x, end.y))[1] for end in ends], 0.0, 1.0)
    height = axes.bbox.height * 72.0 / axes.figure.dpi
    placed = spread_apart(wanted, _LINE_OF_TEXT / height)
    low, high = axes.get_ylim()
    across = blended_transform_factory(axes.transAxes, axes.transAxes)
    for end, where in zip(ends, placed, strict=True):
        colour = style.GREY if end.look is None else end.look.colour
        axes.annotate(
            style.label(end.name), (end.x, float(np.clip(end.y, low, high))), xytext=(1.055, where),
            textcoords="axes fraction", fontsize=8.5, va="center", annotation_clip=False,
            arrowprops={"arrowstyle": "-", "color": colour, "lw": 0.7, "shrinkA": 2, "shrinkB": 0,
                        "relpos": (0.0, 0.5)},
        )  # fmt: skip
        if end.look is not None:
            axes.plot(
                [1.035], [where], transform=across, clip_on=False, ls="", marker=end.look.marker, ms=4.5,
                color=colour, mec=end.look.edge, mew=0.7, label="_mark", scalex=False, scaley=False,
            )  # fmt: skip


def spread_apart(wanted: Array, spacing: float) -> Array:
    """Places in [0, 1], in the order of `wanted` and as near to it as a spacing allows; beyond 0 where all are full."""
    order = np.argsort(wanted, kind="stable")
    placed = np.empty(len(wanted))
    floor = -np.inf
    for index in order:
        floor = max(float(wanted[index]), floor + spacing)
        placed[index] = floor
    ceiling = 1.0 + spacing
    for index in order[::-1]:
        ceiling = min(float(placed[index]), ceiling - spacing)
        placed[index] = ceiling
    return placed


def failing_axis(axes: Axes, most: float, least_failing: float) -> None:
    """The x axis as a yield in percent, spaced by the logarithm of the failing units: 90, 99 and 99.9 % equally apart.

    most  % to be shown at least; least_failing: share of failing units at which the axis ends, whatever is drawn
    """
    least = max(min(1.0 - most / 100.0, 1e-3), least_failing)

    def forward(value: Array) -> Array:
        return np.asarray(-np.log10(np.maximum(1.0 - np.asarray(value) / 100.0, 0.5 * least)))

    def inverse(value: Array) -> Array:
        return np.asarray(100.0 * (1.0 - 10.0 ** -np.asarray(value, dtype=np.float64)))

    axes.set_xscale("function", functions=(forward, inverse))
    ends = (0.0, 50.0, 80.0, 90.0, 95.0, 98.0, 99.0, 99.5, 99.9, 99.99, 99.999, 99.9999)
    ticks = [tick for tick in ends if 1.0 - tick / 100.0 >= 0.999 * least]
    shown = _apart(forward(np.array(ticks)), _SHARES_APART)
    axes.set_xticks(ticks, [f"{tick:g}" if kept else "" for tick, kept in zip(ticks, shown, strict=True)])
    axes.set_xticks([], minor=True)
    axes.set_xlim(-10.0, 100.0 * (1.0 - 0.7 * least))


def _evenly(loads: Array) -> Array:
    """The loads, or their logarithms where these are more evenly apart."""
    if loads.size < 3 or loads[0] <= 0.0:
        return loads
    logarithms = np.log(loads)
    return logarithms if _least_gap(logarithms) > _least_gap(loads) else loads


def _least_gap(place: Array) -> float:
    return float(np.min(np.diff(place)) / (place[-1] - place[0]))


def _apart(place: Array, least: float = _LABEL_APART) -> list[bool]:
    """Which ticks are labelled so that labels do not overlap: the last one always.

    least  distance of two labels as a part of all
    """
    apart = least * (place[-1] - place[0]) if place.size > 1 else 0.0
    shown = [False] * place.size
    last = -np.inf
    for index, where in enumerate(place):
        if where - last >= apart and (index == place.size - 1 or place[-1] - where >= apart):
            shown[index] = True
            last = float(where)
    shown[-1] = True
    return shown
