"""Map of the error over load and temperature."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from margin.estimates.error_map import ErrorMap
from margin.report import style
from margin.report.axes_parts import load_axis

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LEVELS = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.25, 1.5, 2.0, 3.0, 5.0, 10.0, 20.0, 50.0)
"""Multiples of the permissible error at which contour lines may lie."""

_MOST_LINES = 8
_SHADES = 25
_DARK = "#1c1c1c"


def error_over_temperature(found: ErrorMap, ax: Axes | None = None) -> Axes:
    """95 % of |error| over the permissible error as colours with labelled contour lines, that of 1 thick."""
    axes = style.axes_of(ax, 6.2, 3.2)
    relative = found.relative
    lines = _levels(relative)
    shown = np.ma.masked_invalid(relative)
    low, high = float(shown.min()), float(shown.max())
    shades = np.linspace(low, max(high, low + 1e-9), _SHADES)
    axes.contourf(
        found.loads,
        found.temperatures,
        shown,
        levels=shades,
        cmap="cividis",
        extend="both",
        antialiased=False,
    )
    if lines:
        # light lines on the dark half of the colours, dark ones on the light half
        colours = ["white" if level < 0.5 * (low + high) else _DARK for level in lines]
        drawn = axes.contour(
            found.loads, found.temperatures, shown, levels=lines, colors=colours,
            linewidths=[2.4 if level == 1.0 else 0.9 for level in lines],
        )  # fmt: skip
        axes.clabel(drawn, fmt=lambda level: f"{level:g}", fontsize=8.5, colors=colours, inline_spacing=2)
    load_axis(axes, found.case)
    axes.set_xlim(found.loads[0], found.loads[-1])
    axes.set_ylim(found.temperatures[0], found.temperatures[-1])
    axes.set_ylabel("Temperature in use (°C)")
    axes.set_title(f"{style.label(found.option)}: 95 % of |error| / permissible error", loc="left")
    return axes


def _levels(relative: np.ndarray) -> list[float]:
    """Levels within the map, every other left out until few enough remain; that of 1 stays."""
    low, high = float(np.nanmin(relative)), float(np.nanmax(relative))
    levels = [level for level in LEVELS if low < level < high]
    while len(levels) > _MOST_LINES:
        levels = [level for place, level in enumerate(levels) if place % 2 == 0 or level == 1.0]
    return levels
