"""Figure of an acceptance test: consumer's and producer's risk against the test limit."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from margin.design.acceptance.result import Acceptance, LimitRisks
from margin.design.acceptance.shares import Share
from margin.report import style
from margin.report.axes_parts import DASHES, End, name_ends

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_NARROWEST = 0.2
_LOOKS = (
    style.Look(style.VERMILLION, "o", "-"),
    style.Look(style.PURPLE, "D", ":"),
    style.Look(style.BLUE, "s", "--"),
    style.Look(style.GREY, "^", "-."),
)


def risk_over_limit(found: Acceptance, ax: Axes | None = None) -> Axes:
    """Risks in percent on a logarithmic scale against the test limit, with intervals; limit chosen, risk stated.

    Shares below a tenth of a unit drawn are left out. The share scrapped in all is a line alone, since its interval
    would hide the others.
    """
    axes = style.axes_of(ax, 7.2, 3.6)
    rows = [row for row in found.limits if row.limit is not None and row.limit >= _NARROWEST]
    lines: tuple[tuple[str, Callable[[LimitRisks], Share]], ...] = (
        ("bad in use, of shipped", lambda row: row.use.bad_of_shipped),
        ("bad at station, of shipped", lambda row: row.station.bad_of_shipped),
        ("good in use, scrapped", lambda row: row.use.scrapped_good),
        ("scrapped", lambda row: row.scrapped),
    )
    floor = 10.0 / found.units
    ends = []
    for (name, share), look in zip(lines, _LOOKS, strict=True):
        of = [(row.limit, share(row).sampled) for row in rows]
        seen = [
            (limit, 100.0 * e.value, 100.0 * e.low, 100.0 * e.high)
            for limit, e in of
            if 100.0 * e.value >= floor
        ]
        if not seen:
            continue
        limit, middle, low, high = np.array(seen).T
        if name != "scrapped":
            axes.fill_between(limit, np.maximum(low, floor), high, color=look.colour, alpha=0.15, lw=0)
        axes.plot(
            limit, middle, color=look.colour, ls=look.line, marker=look.marker, mec=look.edge, mew=0.7, ms=3.5, lw=1.5,
            markevery=4,
        )  # fmt: skip
        ends.append(End(float(limit[-1]), float(middle[-1]), name, look))
    axes.axhline(100.0 * found.risk, color=style.BLACK, lw=0.8, ls=DASHES)
    axes.axvline(1.0, color=style.BLACK, lw=0.8, ls=DASHES)
    if found.chosen.limit is not None:
        axes.axvline(found.chosen.limit, color=style.BLACK, lw=1.2)
    axes.set_yscale("log")
    axes.set_ylim(floor, 150.0)
    powers = [10.0**k for k in range(-6, 3) if floor <= 10.0**k]
    axes.set_yticks(powers, [f"{power:g}" for power in powers])
    axes.set_yticks([], minor=True)
    axes.set_xlim(_NARROWEST, max((row.limit or 0.0 for row in rows), default=1.5))
    axes.set_xlabel("Test limit (multiple of the permissible error)")
    axes.set_ylabel("Share of units (%)")
    name_ends(axes, ends)
    return axes
