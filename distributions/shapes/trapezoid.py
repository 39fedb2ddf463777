"""Trapezoidal distribution and the curvilinear trapezoid of inexactly known limits."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from distributions.distribution import Distribution, FloatArray, Values, as_floats
from distributions.validity import InvalidParameter, require_finite, require_limits, require_positive


@dataclass(frozen=True)
class Trapezoidal(Distribution):
    """Symmetric trapezoidal distribution: sum of two rectangular ones (GUM 4.3.9; JCGM 101, 6.4.4).

    beta  ratio of the width of the top to that of the base, in [0, 1]

    >>> from distributions import Trapezoidal
    >>> round(Trapezoidal(-1.0, 1.0, 0.0).sd, 4)
    0.4082
    """

    low: float
    high: float
    beta: float
    title: ClassVar[str] = "trapezoidal"

    def __post_init__(self) -> None:
        require_limits("Trapezoidal", self.low, self.high)
        require_finite("Trapezoidal", beta=self.beta)
        if not 0.0 <= self.beta <= 1.0:
            raise InvalidParameter("Trapezoidal", "beta", self.beta, "within [0, 1]")

    @property
    def _shoulder(self) -> float:
        """Width of one sloping side."""
        return 0.5 * (1.0 - self.beta) * (self.high - self.low)

    @property
    def _height(self) -> float:
        """Density on the top."""
        return 2.0 / ((self.high - self.low) * (1.0 + self.beta))

    def pdf(self, x: Values) -> FloatArray:
        x = as_floats(x)
        to_edge = np.minimum(x - self.low, self.high - x)
        slope = to_edge / (self._shoulder or 1.0)
        sides = np.where(to_edge < self._shoulder, slope, 1.0)
        return np.where(to_edge >= 0.0, self._height * sides, 0.0)

    def _lower_mass(self, distance: FloatArray) -> FloatArray:
        """Probability within `distance` >= 0 of the nearer limit, up to the middle."""
        side = self._shoulder
        slope = 0.5 * distance * distance / (side or 1.0)
        return self._height * np.where(distance < side, slope, distance - 0.5 * side)

    def cdf(self, x: Values) -> FloatArray:
        x = np.clip(x, self.low, self.high)
        middle = 0.5 * (self.low + self.high)
        return np.where(x < middle, self._lower_mass(x - self.low), 1.0 - self._lower_mass(self.high - x))

    def ppf(self, u: Values) -> FloatArray:
        u = as_floats(u)
        tail = np.minimum(u, 1.0 - u)
        side, height = self._shoulder, self._height
        slope = np.sqrt(tail * (2.0 * side / height))
        distance = np.where(tail < 0.5 * height * side, slope, tail / height + 0.5 * side)
        return np.where(u < 0.5, self.low + distance, self.high - distance)

    @property
    def mean(self) -> float:
        return 0.5 * (self.low + self.high)

    @property
    def sd(self) -> float:
        return (self.high - self.low) * math.sqrt((1.0 + self.beta**2) / 24.0)

    @property
    def support(self) -> tuple[float, float]:
        return self.low, self.high

    @property
    def parameters_text(self) -> str:
        return f"{self.low:.4g} to {self.high:.4g}, beta {self.beta:.4g}"


_NEWTON_STEPS = 8  # from the starting point used here, quadratic convergence reaches rounding in six


@dataclass(frozen=True)
class CurvilinearTrapezoid(Distribution):
    """Rectangular distribution whose limits are known only to +-inexactness (JCGM 101, 6.4.3).

    The limits move together, mirrored about their fixed midpoint: low' = (low - d) + 2 d r,
    high' = low + high - low', with d = inexactness, r ~ R(0, 1). With W = (high - low)/2 + d,
    c = (high - low)/2 - d and t the distance from the midpoint, the density is ln(W / max(t, c)) / (4 d)
    for t < W.

    >>> from distributions import CurvilinearTrapezoid
    >>> CurvilinearTrapezoid(-1.0, 1.0, 0.1).support
    (-1.1, 1.1)
    """

    low: float
    high: float
    inexactness: float
    title: ClassVar[str] = "curvilinear trapezoid"

    def __post_init__(self) -> None:
        require_limits("CurvilinearTrapezoid", self.low, self.high)
        require_positive("CurvilinearTrapezoid", inexactness=self.inexactness)
        if not self.inexactness < 0.5 * (self.high - self.low):
            raise InvalidParameter(
                "CurvilinearTrapezoid",
                "inexactness",
                self.inexactness,
                "below half the distance of limits",
            )

    @property
    def _outer(self) -> float:
        return 0.5 * (self.high - self.low) + self.inexactness

    @property
    def _inner(self) -> float:
        return 0.5 * (self.high - self.low) - self.inexactness

    def pdf(self, x: Values) -> FloatArray:
        distance = np.clip(np.abs(as_floats(x) - self.mean), self._inner, self._outer)
        return np.log(self._outer / distance) / (4.0 * self.inexactness)

    def cdf(self, x: Values) -> FloatArray:
        offset = as_floats(x) - self.mean
        distance = np.minimum(np.abs(offset), self._outer)
        flat = distance * math.log(self._outer / self._inner)
        slope_distance = np.maximum(distance, self._inner)
        slope = slope_distance - self._inner + slope_distance * np.log(self._outer / slope_distance)
        half = np.where(distance < self._inner, flat, slope) / (4.0 * self.inexactness)
        return 0.5 + np.copysign(np.minimum(half, 0.5), offset)

    def ppf(self, u: Values) -> FloatArray:
        u = as_floats(u)
        tail = np.minimum(u, 1.0 - u)
        outer, inner, width = self._outer, self._inner, 4.0 * self.inexactness
        flat = (0.5 - tail) * (width / math.log(outer / inner))
        # On the slope: delta = 1 - t / W solves delta + (1 - delta) ln(1 - delta) = 4 d tail / W. The left
        # side is convex and at least delta^2 / 2, so Newton's method from above descends onto the root.
        target = tail * (width / outer)
        delta = np.minimum(np.sqrt(2.0 * target), 2.0 * self.inexactness / outer)
        for _ in range(_NEWTON_STEPS):
            log = np.log1p(-delta)
            delta = np.clip(delta + (delta + (1.0 - delta) * log - target) / log, 1e-20, 1.0 - inner / outer)
        distance = np.where(flat < inner, flat, outer * (1.0 - delta))
        return self.mean + np.where(u < 0.5, -distance, distance)

    @property
    def mean(self) -> float:
        return 0.5 * (self.low + self.high)

    @property
    def sd(self) -> float:
        return math.sqrt((self.high - self.low) ** 2 / 12.0 + self.inexactness**2 / 9.0)

    @property
    def support(self) -> tuple[float, float]:
        return self.low - self.inexactness, self.high + self.inexactness

    @property
    def parameters_text(self) -> str:
        return f"{self.low:.4g} to {self.high:.4g}, limits inexact by {self.inexactness:.4g}"
