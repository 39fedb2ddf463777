"""The way from today's design to the cheapest one that conforms: yield over cost."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from margin.design.measures.result import Improvement, SetResult
from margin.design.measures.tables import NO_MEASURE
from margin.estimates import numbers
from margin.report import style
from margin.report.axes_parts import DASHES, End, name_ends

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Array = NDArray[np.float64]

_TICKS = (0.0, 50.0, 80.0, 90.0, 95.0, 98.0, 99.0, 99.5, 99.9, 99.99, 99.999)


def yield_over_cost(found: Improvement, ax: Axes | None = None) -> Axes:
    """Yield (marker) and lower bound (stroke), %, with their intervals, over the cost of a unit made.

    One step for each measure of the answer, in the order of the path; today's design alone where there is no answer.
    The axis of the yield is spaced by the logarithm of the failing units; the required yield is a dashed line.
    """
    axes = style.axes_of(ax, 7.2, 3.9)
    steps = found.path or (found.today,)
    costs = np.array([each.made for each in steps])
    _failing_axis(axes, found, steps)
    reached = [100.0 * each.judged.reached.value for each in steps]
    axes.step(costs, reached, where="post", color=style.BLUE, lw=1.2, label="_steps")
    width = max(float(np.ptp(costs)), 1e-6)
    for side, colour, marker, size, name in (
        (0.0, style.BLUE, "o", 6.0, "yield"), (0.008 * width, style.VERMILLION, "_", 11.0, "its lower bound"),
    ):  # fmt: skip
        of = [each.judged.reached if marker == "o" else each.judged.bound for each in steps]
        axes.vlines(
            costs + side, [100.0 * e.low for e in of], [100.0 * e.high for e in of], color=colour, lw=1.6
        )
        axes.plot(
            costs + side, [100.0 * e.value for e in of], ls="", marker=marker, ms=size, mew=2.0, color=colour,
            label=name,
        )  # fmt: skip
    target = 100.0 * found.target
    axes.axhline(target, color=style.BLACK, lw=1.1, ls=DASHES, label="_target")
    axes.annotate(
        f"required {numbers.percent(found.target)}", (0.0, target), xycoords=("axes fraction", "data"),
        xytext=(4, 3), textcoords="offset points", ha="left", va="bottom", fontsize=8.5,
    )  # fmt: skip
    axes.margins(x=0.12)
    axes.set_xlabel(f"Cost of a unit made ({style.label(found.measures.prices.currency)})")
    axes.set_ylabel("Yield (%)")
    axes.legend(frameon=False, fontsize=8.5, loc="upper left")
    name_ends(axes, list(_names(found, steps, reached)))
    return axes


def _names(found: Improvement, steps: tuple[SetResult, ...], reached: list[float]) -> Iterator[End]:
    """What each step adds, to stand beside the axes."""
    before: set[int] = set()
    for each, height in zip(steps, reached, strict=True):
        added = [found.measures.measures[place].name for place in each.chosen if place not in before]
        before = set(each.chosen)
        yield End(each.made, height, f"+ {', '.join(added)}" if added else NO_MEASURE)


def _failing_axis(axes: Axes, found: Improvement, steps: tuple[SetResult, ...]) -> None:
    ends = [found.target, *(e for s in steps for e in (s.judged.reached.value, s.judged.bound.value))]
    most = max(end for end in ends if end < 1.0) if any(end < 1.0 for end in ends) else 0.999
    least = max(min(0.4 * (1.0 - most), 0.02), 1e-5)

    def forward(value: Array) -> Array:
        return np.asarray(-np.log10(np.maximum(1.0 - np.asarray(value) / 100.0, 0.5 * least)))

    def inverse(value: Array) -> Array:
        return np.asarray(100.0 * (1.0 - 10.0 ** -np.asarray(value, dtype=np.float64)))

    axes.set_yscale("function", functions=(forward, inverse))
    ticks = [tick for tick in _TICKS if 1.0 - tick / 100.0 >= least]
    axes.set_yticks(ticks, [f"{tick:g}" for tick in ticks])
    axes.set_yticks([], minor=True)
    low = min(e.low for s in steps for e in (s.judged.reached, s.judged.bound))
    axes.set_ylim(max(100.0 * low - 10.0, -5.0), 100.0 * (1.0 - 0.6 * least))
