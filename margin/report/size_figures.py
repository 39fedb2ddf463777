"""Figures of a sizing: what the designs trade, and what each constraint refuses."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from margin.design.sizing import Sizing
from margin.estimates import numbers
from margin.report import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis


def error_over_resolution(found: Sizing, ax: Axes | None = None) -> Axes:
    """Error of the designs tried over their resolution, by circuit; those of the list are filled and numbered."""
    axes = style.axes_of(ax, 6.4, 4.0)
    for place, one in enumerate(found.screens):
        points = [(d.resolution, t.error) for d, t in found.tried if d.space is one.space]
        look = style.plain_look(place)
        if points:
            x, y = np.array(points).T
            axes.plot(
                x, y, ls="", marker=look.marker, ms=4.0, mfc="none", mec=look.colour, mew=0.8,
                label=style.label(one.space.name),
            )  # fmt: skip
    for rank, each in enumerate(found.ranked, 1):
        look = style.plain_look([one.space for one in found.screens].index(each.design.space))
        place_of = (each.design.resolution, each.trial.error)
        axes.plot(
            *place_of, ls="", marker=look.marker, ms=7.0, color=look.colour, mec=style.BLACK, label="_listed"
        )
        axes.annotate(f"{rank}", place_of, xytext=(6, 4), textcoords="offset points", fontsize=8.5)
    axes.axhline(1.0, color=style.BLACK, lw=1.0, ls=(0, (6, 2)), label="_limit")
    errors = [trial.error for _, trial in found.tried]
    if max(1.0, *errors) > 4.0 * max(min(errors), 1e-9):
        axes.set_yscale("log")
        _plain_ticks(axes.yaxis, 1.0)
    scale = numbers.scale_for([design.resolution for design, _ in found.tried], "N")
    axes.set_xscale("log")
    _plain_ticks(axes.xaxis, scale.factor)
    axes.set_xlabel(f"Load that one count stands for at the smallest load ({scale.unit})")
    share = 100.0 * found.case.requirement.target
    axes.set_ylabel(f"Error of {share:g} % of the units / permissible error")
    axes.legend(frameon=False, fontsize=8.0)
    return axes


def _plain_ticks(axis: Axis, factor: float) -> None:
    """Ticks of a logarithmic axis at 1, 2 and 5 of each decade, as plain numbers."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullLocator

    axis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
    axis.set_minor_locator(NullLocator())
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{factor * value:.6g}"))


def refusals_by_constraint(found: Sizing, ax: Axes | None = None) -> Axes:
    """Share of the designs that each constraint refuses (pale), and refuses alone (dark), over all circuits."""
    total = max(sum(one.tried for one in found.screens), 1)
    names = [
        name for name in found.screens[0].refused if not all(name in one.unchecked for one in found.screens)
    ]
    axes = style.axes_of(ax, 6.4, 0.9 + 0.36 * len(names))
    for place, name in enumerate(names):
        refused = 100.0 * sum(one.refused[name] for one in found.screens) / total
        alone = 100.0 * sum(one.alone[name] for one in found.screens) / total
        axes.barh(place, refused, height=0.6, color="none", edgecolor=style.BLACK, lw=0.8)
        axes.barh(place, alone, height=0.6, color=style.SKY, edgecolor=style.BLACK, lw=0.8)
    axes.set_yticks(range(len(names)), names)
    axes.set_ylim(len(names) - 0.4, -0.6)
    axes.set_xlabel("Designs refused; filled: by this constraint alone (% of all)")
    return axes
