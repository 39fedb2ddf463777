"""Distributions cut at limits: truncation, and the part whose tighter grade was sorted out."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar

import numpy as np

from distributions.composed.moments import mean_and_sd
from distributions.distribution import LARGEST_UNIFORM, Distribution, FloatArray, Values, as_floats
from distributions.validity import InvalidParameter, require_limits


def _require_density(shape: str, base: Distribution) -> None:
    """Limits through a value with probability of its own would have to share it out: refused."""
    if base.atoms.size:
        reason = "continuous; leave the values beyond the limits out of it instead"
        raise InvalidParameter(shape, "base", base.describe(), reason)


@dataclass(frozen=True)
class Truncated(Distribution):
    """`base` under the condition that it lies within [low, high]; what lies outside was rejected.

    >>> from distributions import Normal, Truncated
    >>> Truncated(Normal(0.0, 1.0), -2.0, 2.0).support
    (-2.0, 2.0)
    """

    base: Distribution
    low: float
    high: float
    title: ClassVar[str] = "truncated"

    def __post_init__(self) -> None:
        if math.isnan(self.low) or math.isnan(self.high) or not self.low < self.high:
            raise InvalidParameter("Truncated", "high", self.high, f"above low = {self.low!r}")
        _require_density("Truncated", self.base)
        if not self._mass > 0.0:
            raise InvalidParameter(
                "Truncated", "low", self.low, "such that the base has probability between low and high"
            )

    @cached_property
    def _below(self) -> float:
        return float(self.base.cdf(self.low))

    @cached_property
    def _mass(self) -> float:
        return float(self.base.cdf(self.high)) - self._below

    def pdf(self, x: Values) -> FloatArray:
        x = as_floats(x)
        inside = (x >= self.low) & (x <= self.high)
        return np.where(inside, self.base.pdf(x) / self._mass, 0.0)

    def cdf(self, x: Values) -> FloatArray:
        return (self.base.cdf(np.clip(x, self.low, self.high)) - self._below) / self._mass

    def ppf(self, u: Values) -> FloatArray:
        return np.clip(self.base.ppf(self._below + as_floats(u) * self._mass), self.low, self.high)

    @cached_property
    def _moments(self) -> tuple[float, float]:
        return mean_and_sd(self.ppf)

    @property
    def mean(self) -> float:
        return self._moments[0]

    @property
    def sd(self) -> float:
        return self._moments[1]

    @property
    def support(self) -> tuple[float, float]:
        low, high = self.base.support
        return max(low, self.low), min(high, self.high)

    @property
    def parameters_text(self) -> str:
        return f"{self.base.title}, within {self.low:.4g} to {self.high:.4g}"


@dataclass(frozen=True)
class SelectedOut(Distribution):
    """`base` without what lies within (inner_low, inner_high): the tighter grade was sorted out.

    Common practice, no source: a 5 % part from a line whose 1 % parts were sold apart misses its middle.

    >>> from distributions import Rectangular, SelectedOut
    >>> part = SelectedOut(Rectangular(-0.05, 0.05), -0.01, 0.01)
    >>> float(part.pdf(0.0)), round(float(part.cdf(0.0)), 6)
    (0.0, 0.5)
    """

    base: Distribution
    inner_low: float
    inner_high: float
    title: ClassVar[str] = "selected out"

    def __post_init__(self) -> None:
        require_limits("SelectedOut", self.inner_low, self.inner_high)
        _require_density("SelectedOut", self.base)
        if not self._mass > 0.0:
            raise InvalidParameter(
                "SelectedOut", "inner_high", self.inner_high, "such that the base has probability outside"
            )

    @cached_property
    def _hole(self) -> tuple[float, float]:
        return float(self.base.cdf(self.inner_low)), float(self.base.cdf(self.inner_high))

    @cached_property
    def _mass(self) -> float:
        return 1.0 - (self._hole[1] - self._hole[0])

    def pdf(self, x: Values) -> FloatArray:
        x = as_floats(x)
        inside = (x > self.inner_low) & (x < self.inner_high)
        return np.where(inside, 0.0, self.base.pdf(x) / self._mass)

    def cdf(self, x: Values) -> FloatArray:
        lower, upper = self._hole
        raw = self.base.cdf(x)
        return np.where(raw <= lower, raw, np.maximum(raw - (upper - lower), lower)) / self._mass

    def ppf(self, u: Values) -> FloatArray:
        lower, upper = self._hole
        raw = as_floats(u) * self._mass
        below = raw <= lower
        # Rounding must not carry a value into the hole, nor its probability to 1.
        x = self.base.ppf(np.where(below, raw, np.minimum(raw + (upper - lower), LARGEST_UNIFORM)))
        return np.where(below, np.minimum(x, self.inner_low), np.maximum(x, self.inner_high))

    @cached_property
    def _moments(self) -> tuple[float, float]:
        # One side at a time: the inverse jumps at the hole, where a quadrature across would be wrong.
        lower, _ = self._hole
        share = lower / self._mass
        if share <= 0.0 or share >= 1.0:
            return mean_and_sd(self.ppf)
        low_mean, low_sd = mean_and_sd(lambda u: self.ppf(share * as_floats(u)))
        high_mean, high_sd = mean_and_sd(lambda u: self.ppf(share + (1.0 - share) * as_floats(u)))
        mean = share * low_mean + (1.0 - share) * high_mean
        between = share * (1.0 - share) * (high_mean - low_mean) ** 2
        return mean, math.sqrt(share * low_sd**2 + (1.0 - share) * high_sd**2 + between)

    @property
    def mean(self) -> float:
        return self._moments[0]

    @property
    def sd(self) -> float:
        return self._moments[1]

    @property
    def support(self) -> tuple[float, float]:
        return self.base.support

    @property
    def parameters_text(self) -> str:
        return f"{self.base.title} without {self.inner_low:.4g} to {self.inner_high:.4g}"
