"""A rising or falling curve through measured points, and its exact inverse."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from margin.chain.arrays import as_array, entries
from margin.chain.parameter import Value

Array = NDArray[np.float64]

_MOST_STEPS = 40

_ROUNDING = 8.0 * float(np.finfo(np.float64).eps)
"""Of the largest y: what evaluating a cubic leaves of it."""


@dataclass(frozen=True)
class Curve:
    """Cubic pieces y(x) between knots, continued with the end slopes.

    x: (knot,) ascending; coefficients: (4, piece), highest power first, about the left knot of each piece.
    """

    x: Array
    y: Array
    coefficients: Array
    first_slope: float
    last_slope: float

    def value(self, at: Value) -> Value:
        """y at x."""
        inside = np.clip(at, self.x[0], self.x[-1])
        piece = np.searchsorted(self.x[1:-1], inside, side="right")
        t = inside - entries(self.x, piece)
        a, b, c, d = (entries(row, piece) for row in self.coefficients)
        beyond = self.first_slope * np.minimum(at - self.x[0], 0.0)
        beyond = beyond + self.last_slope * np.maximum(at - self.x[-1], 0.0)
        result: Value = ((a * t + b) * t + c) * t + d + beyond
        return result

    def slope(self, at: Value) -> Value:
        """dy/dx at x, that of the end piece beyond the knots."""
        inside = np.clip(at, self.x[0], self.x[-1])
        piece = np.searchsorted(self.x[1:-1], inside, side="right")
        t = inside - entries(self.x, piece)
        a, b, c, _ = (entries(row, piece) for row in self.coefficients)
        result: Value = (3.0 * a * t + 2.0 * b) * t + c
        return result

    def inverse(self, wanted: Value) -> Value:
        """x at which the curve takes the value `wanted`; the curve is strictly monotone."""
        y, goal = self._rising * self.y, self._rising * as_array(wanted)
        inside = np.clip(goal, y[0], y[-1])
        piece = np.searchsorted(y[1:-1], inside, side="right")
        t = self._solved(inside, piece, self._steps)
        # a flat end is a double root, which Newton's method finds to half its digits only
        t = np.where(goal >= y[-1], self.x[-1] - self.x[-2], np.where(goal <= y[0], 0.0, t))
        beyond = np.minimum(goal - y[0], 0.0) / (self._rising * self.first_slope)
        beyond = beyond + np.maximum(goal - y[-1], 0.0) / (self._rising * self.last_slope)
        result: Value = entries(self.x, piece) + t + beyond
        return result

    @property
    def _rising(self) -> float:
        """1, or -1 where the curve falls: it rises when multiplied by it."""
        return 1.0 if self.y[-1] > self.y[0] else -1.0

    def _solved(self, inside: Any, piece: Any, steps: int) -> Any:
        """Distance from the left knot of a piece at which the rising curve takes the value `inside`.

        Newton's method, bisected where a step would leave the bracket, from between the roots of the parabolas that
        touch the piece at its ends: they are exact where the piece begins or ends flat.
        """
        a, b, c, d = (entries(self._rising * row, piece) for row in self.coefficients)
        width = entries(np.diff(self.x), piece)
        above, below = inside - d, entries(self._rising * self.y[1:], piece) - inside
        last = (3.0 * a * width + 2.0 * b) * width + c
        from_left = _root(c, b, above)
        from_right = width - _root(last, -(3.0 * a * width + b), below)
        t = np.clip(from_left + above / (above + below) * (from_right - from_left), 0.0, width)
        low, high = np.zeros_like(t), width
        for _ in range(steps):
            miss = ((a * t + b) * t + c) * t + d - inside
            low, high = np.where(miss < 0.0, t, low), np.where(miss > 0.0, t, high)
            slope = (3.0 * a * t + 2.0 * b) * t + c
            step = t - miss / np.where(slope > 0.0, slope, 1.0)
            inner = (slope > 0.0) & (step >= low) & (step <= high)
            t = np.where(miss == 0.0, t, np.where(inner, step, 0.5 * (low + high)))
        return t

    @cached_property
    def _steps(self) -> int:
        """Steps after which `_solved` has found every value: as many for one value as for another, so that none
        depends on those beside it."""
        ends = 0.5 ** np.arange(8, 50)
        share = np.concatenate([np.linspace(0.0, 1.0, 258)[1:-1], ends, 1.0 - ends])[:, np.newaxis]
        y = self._rising * self.y
        piece = np.arange(y.size - 1)
        inside = y[:-1] + share * np.diff(y)
        a, b, c, d = self._rising * self.coefficients
        for steps in range(_MOST_STEPS):
            t = self._solved(inside, piece, steps)
            if np.all(np.abs(((a * t + b) * t + c) * t + d - inside) <= _ROUNDING * np.max(np.abs(y))):
                return steps + 1
        return _MOST_STEPS


def _root(slope: Any, curvature: Any, rise: Any) -> Any:
    """Smallest t >= 0 with slope t + curvature t^2 = rise, its vertex where there is none.

    By the form that stays exact where the curvature vanishes.
    """
    twice = slope + np.sqrt(np.maximum(slope * slope + 4.0 * curvature * rise, 0.0))
    return 2.0 * rise / np.where(twice > 0.0, twice, 1.0)


@lru_cache(maxsize=32)
def curve_through(loads: tuple[float, ...], outputs: tuple[float, ...], straight: bool) -> Curve:
    """Curve through measured points: straight pieces, or the monotone cubic of Fritsch and Butland, 1984.

    Raises ValueError with fewer than two points, loads that do not ascend, outputs that turn back.
    """
    x, y = np.asarray(loads, dtype=np.float64), np.asarray(outputs, dtype=np.float64)
    if x.size < 2 or x.size != y.size:
        raise ValueError(
            f"a tabulated curve needs two or more loads and as many outputs (got {x.size} and {y.size})"
        )
    if not np.all(np.diff(x) > 0.0):
        raise ValueError("loads of a tabulated curve must ascend")
    rise = np.diff(y)
    if not (np.all(rise > 0.0) or np.all(rise < 0.0)):
        raise ValueError("outputs of a tabulated curve must rise or fall throughout, to determine the load")
    slopes = rise / np.diff(x)
    if straight or x.size == 2:
        coefficients = np.stack([0.0 * slopes, 0.0 * slopes, slopes, y[:-1]])
        return Curve(x, y, coefficients, float(slopes[0]), float(slopes[-1]))
    # slow to import, and few cases have a table
    from scipy.interpolate import PchipInterpolator

    cubic = PchipInterpolator(x, y)
    ends = cubic.derivative()(x[[0, -1]])
    # a flat end cannot be continued to an inverse: fall back on the slope of the end piece
    first = float(ends[0]) if ends[0] * slopes[0] > 0.0 else float(slopes[0])
    last = float(ends[1]) if ends[1] * slopes[-1] > 0.0 else float(slopes[-1])
    return Curve(x, y, np.asarray(cubic.c), first, last)
