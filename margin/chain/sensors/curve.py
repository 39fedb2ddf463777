"""A rising or falling curve through measured points, and its exact inverse."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from margin.chain.parameter import Value

Array = NDArray[np.float64]

_NEWTON_STEPS = 40


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
        piece = np.clip(np.searchsorted(self.x, inside, side="right") - 1, 0, self.x.size - 2)
        t = inside - self.x[piece]
        a, b, c, d = (row[piece] for row in self.coefficients)
        beyond = self.first_slope * np.minimum(at - self.x[0], 0.0)
        beyond = beyond + self.last_slope * np.maximum(at - self.x[-1], 0.0)
        result: Value = ((a * t + b) * t + c) * t + d + beyond
        return result

    def inverse(self, wanted: Value) -> Value:
        """x at which the curve takes the value `wanted`; the curve is strictly monotone.

        Newton's method inside the bracketing piece, bisected where a step would leave it.
        """
        sign = 1.0 if self.y[-1] > self.y[0] else -1.0
        y, goal = sign * self.y, sign * np.asarray(wanted, dtype=np.float64)
        inside = np.clip(goal, y[0], y[-1])
        piece = np.clip(np.searchsorted(y, inside, side="right") - 1, 0, y.size - 2)
        a, b, c, d = (sign * row[piece] for row in self.coefficients)
        low = np.zeros_like(inside)
        high = self.x[piece + 1] - self.x[piece]
        t = high * (inside - y[piece]) / (y[piece + 1] - y[piece])
        for _ in range(_NEWTON_STEPS):
            miss = ((a * t + b) * t + c) * t + d - inside
            low, high = np.where(miss < 0.0, t, low), np.where(miss > 0.0, t, high)
            slope = (3.0 * a * t + 2.0 * b) * t + c
            step = t - miss / np.where(slope > 0.0, slope, 1.0)
            inner = (slope > 0.0) & (step >= low) & (step <= high)
            moved = np.where(miss == 0.0, t, np.where(inner, step, 0.5 * (low + high)))
            if np.all(np.abs(moved - t) <= 4e-16 * self.x[-1]):
                t = moved
                break
            t = moved
        # a flat end is a double root, which Newton's method finds to half its digits only
        t = np.where(goal >= y[-1], self.x[-1] - self.x[-2], np.where(goal <= y[0], 0.0, t))
        beyond = np.minimum(goal - y[0], 0.0) / (sign * self.first_slope)
        beyond = beyond + np.maximum(goal - y[-1], 0.0) / (sign * self.last_slope)
        result: Value = self.x[piece] + t + beyond
        return result


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
        raise ValueError(
            "outputs of a tabulated curve must rise or fall throughout: a load cannot be told else"
        )
    slopes = rise / np.diff(x)
    if straight or x.size == 2:
        coefficients = np.stack([0.0 * slopes, 0.0 * slopes, slopes, y[:-1]])
        return Curve(x, y, coefficients, float(slopes[0]), float(slopes[-1]))
    cubic = PchipInterpolator(x, y)
    ends = cubic.derivative()(x[[0, -1]])
    # a flat end cannot be continued to an inverse: fall back on the slope of the end piece
    first = float(ends[0]) if ends[0] * slopes[0] > 0.0 else float(slopes[0])
    last = float(ends[1]) if ends[1] * slopes[-1] > 0.0 else float(slopes[-1])
    return Curve(x, y, np.asarray(cubic.c), first, last)
