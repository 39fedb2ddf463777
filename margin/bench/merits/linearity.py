"""Straight lines through a characteristic, and the linearity that each definition gives.

Definitions: ISA-51.1 and IEC 61298-2 (independent, terminal-based, zero-based; 'independent' there is the
line of least largest deviation). The least squares lines are in use beside them and are named so.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Line:
    """output = intercept + slope * load."""

    intercept: float
    slope: float

    def deviation(self, loads: Array, outputs: Array) -> Array:
        """Output less line; shapes (l,)."""
        return outputs - (self.intercept + self.slope * loads)


def least_squares(loads: Array, outputs: Array) -> Line:
    """Independent line of least squares, by centred sums."""
    x, y = loads - loads.mean(), outputs - outputs.mean()
    slope = float(x @ y / (x @ x))
    return Line(float(outputs.mean() - slope * loads.mean()), slope)


def zero_least_squares(loads: Array, outputs: Array, zero: float = 0.0) -> Line:
    """Least squares among lines through (0, zero)."""
    return Line(zero, float(loads @ (outputs - zero) / (loads @ loads)))


def terminal(loads: Array, outputs: Array, zero: float | None = None) -> Line:
    """Line through the lowest and the highest point; through (0, zero) and the highest if zero is given."""
    low_load, low = (loads[0], outputs[0]) if zero is None else (0.0, zero)
    slope = float((outputs[-1] - low) / (loads[-1] - low_load))
    return Line(float(low - slope * low_load), slope)


def minimax(loads: Array, outputs: Array) -> Line:
    """Independent line of least largest deviation, exactly.

    The line is parallel to one edge of the convex hull of the points and lies midway between that edge and
    the point farthest from it, measured along the output axis (Chebyshev's equioscillation in three points).
    """
    slopes = np.concatenate([_hull_slopes(loads, outputs), _hull_slopes(loads, -outputs) * -1.0])
    rest = outputs - slopes[:, None] * loads
    best = int(np.argmin(np.ptp(rest, axis=1)))
    return Line(float((rest[best].max() + rest[best].min()) / 2), float(slopes[best]))


def _hull_slopes(loads: Array, outputs: Array) -> Array:
    """Slopes of the edges of the lower hull (monotone chain, Andrew 1979); loads ascend."""
    hull: list[int] = []
    for i in range(loads.size):
        while len(hull) > 1:
            a, b = hull[-2], hull[-1]
            turn = (loads[b] - loads[a]) * (outputs[i] - outputs[a]) - (outputs[b] - outputs[a]) * (
                loads[i] - loads[a]
            )
            if turn > 0:
                break
            hull.pop()
        hull.append(i)
    return np.diff(outputs[hull]) / np.diff(loads[hull])


def zero_minimax(loads: Array, outputs: Array, zero: float = 0.0) -> Line:
    """Line through (0, zero) of least largest deviation, exactly.

    max |y_i - b x_i| is the upper envelope of lines in b. From the steepest falling and the steepest rising
    of them, the one that lies highest where the two cross takes the place of its like until none does.
    """
    y = outputs - zero
    rise = np.concatenate([loads, -loads])
    level = np.concatenate([-y, y])
    falling, rising = int(np.argmin(rise)), int(np.argmax(rise))
    for _ in range(rise.size):
        slope = float((level[falling] - level[rising]) / (rise[rising] - rise[falling]))
        heights = level + rise * slope
        top = int(np.argmax(heights))
        if heights[top] <= heights[rising] * (1 + 1e-14) or rise[top] == 0:
            break
        falling, rising = (top, rising) if rise[top] < 0 else (falling, top)
    return Line(zero, slope)


DEFINITIONS: dict[str, tuple[Callable[[Array, Array, float | None], Line], str]] = {
    "independent least squares": (
        lambda x, y, zero: least_squares(x, y),
        "from the straight line of least squares",
    ),
    "independent minimax": (
        lambda x, y, zero: minimax(x, y),
        "from the straight line of least largest deviation",
    ),
    "zero-based least squares": (
        lambda x, y, zero: zero_least_squares(x, y, _zero(x, y, zero)),
        "from the line of least squares through the zero point",
    ),
    "zero-based minimax": (
        lambda x, y, zero: zero_minimax(x, y, _zero(x, y, zero)),
        "from the line of least largest deviation through the zero point",
    ),
    "terminal-based": (
        lambda x, y, zero: terminal(x, y, zero),
        "from the line through the points of lowest and highest load",
    ),
}
"""Name -> (line from loads, outputs and the output taken at zero load, what it is)."""


def _zero(loads: Array, outputs: Array, zero: float | None) -> float:
    if zero is not None:
        return zero
    if abs(loads[0]) <= 1e-9 * abs(loads[-1]):
        return float(outputs[0])
    return 0.0


def linearity(
    loads: Array, outputs: Array, definition: str, zero: float | None = None, full_scale: float | None = None
) -> float:
    """Largest deviation of a mean characteristic from its line, as a share of the full-scale output.

    max |y - line| / full scale output (IEC 61298-2).

    loads, outputs  (l,), ascending loads, mean outputs
    definition      a key of `DEFINITIONS`
    zero            output taken at zero load; None: the output read there, or 0 where zero load was not read
                    (the terminal line then goes through the lowest point read)
    full_scale      output span; None: output at the highest load less that at zero
    Raises KeyError for an unknown definition, ValueError for fewer than three load points.
    """
    if loads.size < 3:
        raise ValueError(f"linearity needs at least three load points (got {loads.size}): measure more loads")
    line = DEFINITIONS[definition][0](loads, outputs, zero)
    if full_scale is None:
        full_scale = float(outputs[-1] - (outputs[0] if zero is None else zero))
    return float(np.abs(line.deviation(loads, outputs)).max() / abs(full_scale))
