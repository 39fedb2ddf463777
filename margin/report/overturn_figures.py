"""Figure of what overturns a decision: turning values by quantity, as distances from what is assumed."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING

from margin.design.overturning.moves import TWICE
from margin.design.overturning.result import Overturning, Turning
from margin.report import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_MULTIPLES = (1, 2, 4, 8)
_WIDEST = 44
_ROOM = 1.08


_MARKS = {"size": ("o", style.BLUE), "effect": ("s", style.VERMILLION), "value": ("D", "white")}
"""Marker and fill by what is moved, told apart in grey print too."""


def turning_values_by_quantity(found: Overturning, ax: Axes | None = None, *, most: int = 12) -> Axes:
    """Turning values (markers) with their intervals in standard scores from the assumed value, the nearest on top, and
    what is plausible (bars); the upper axis has the multiples of an assumed size."""
    rows = found.nearest[:most]
    axes = style.axes_of(ax, 7.4, 1.5 + 0.36 * max(len(rows), 1))
    ends = [v for each in rows if each.score is not None for v in (each.score.value, each.score.high)]
    right = _ROOM * max((v for v in ends if math.isfinite(v)), default=3.0)
    for place, each in enumerate(rows):
        if each.score is None:
            continue
        axes.barh(place, plausible_score(each), height=0.5, color="#DDDDDD", zorder=0)
        high = min(each.score.high, right)
        axes.plot([each.score.low, high], [place, place], color=style.BLACK, lw=1.2)
        if math.isinf(each.score.high):
            axes.plot(right, place, ">", color=style.BLACK, ms=5, clip_on=False)
        marker, filled = _MARKS[each.kind]
        axes.plot(each.score.value, place, marker, color=filled, mec=style.BLACK, ms=6, zorder=3)
    axes.axvline(0.0, color=style.BLACK, lw=1.0)
    axes.set_yticks(range(len(rows)), [_label(each) for each in rows])
    axes.set_ylim(max(len(rows), 1) - 0.4, -0.6)
    axes.set_xlim(min(-0.02 * right, 0.0), right)
    axes.set_xlabel("Distance from the assumed value (standard scores)")
    above = axes.secondary_xaxis("top")
    shown = [m for m in _MULTIPLES if math.log(m, TWICE) <= right]
    above.set_xticks([math.log(m, TWICE) for m in shown], [f"{m}" for m in shown])
    above.set_xlabel("Multiple of an assumed size (where it shrinks: one over it)")
    return axes


def plausible_score(each: Turning) -> float:
    """How far what is plausible reaches towards the turning value, in standard scores."""
    if each.kind == "size" or each.value is None or each.score is None:
        return 1.0
    away = abs(each.value.value - each.assumed)
    end = each.plausible[1] if each.sign > 0 else each.plausible[0]
    return abs(end - each.assumed) * each.score.value / away if away > 0.0 else 0.0


def _label(each: Turning) -> str:
    what = {"size": "size", "value": "mean", "effect": "true value"}[each.kind]
    side = "up" if each.sign > 0 else "down"
    text = style.label(f"{each.subject}, {what} {side}", 80)
    return "\n".join(textwrap.wrap(text, _WIDEST, max_lines=2, placeholder=" …"))
