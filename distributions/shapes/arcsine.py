"""Arcsine (U-shaped) distribution."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from distributions.distribution import Distribution, FloatArray, Values, as_floats
from distributions.validity import require_limits


@dataclass(frozen=True)
class Arcsine(Distribution):
    """Arcsine (U-shaped) distribution: a sinusoid of unknown phase between limits (JCGM 101, 6.4.6).

    >>> from distributions import Arcsine
    >>> round(Arcsine(-1.0, 1.0).sd, 4)
    0.7071
    """

    low: float
    high: float
    title: ClassVar[str] = "arcsine"

    def __post_init__(self) -> None:
        require_limits("Arcsine", self.low, self.high)

    def pdf(self, x: Values) -> FloatArray:
        x = as_floats(x)
        product = (x - self.low) * (self.high - x)
        inside = product > 0.0
        return np.where(inside, 1.0 / (math.pi * np.sqrt(np.where(inside, product, 1.0))), 0.0)

    def cdf(self, x: Values) -> FloatArray:
        share = np.clip((as_floats(x) - self.low) / (self.high - self.low), 0.0, 1.0)
        return np.arcsin(np.sqrt(share)) * (2.0 / math.pi)

    def ppf(self, u: Values) -> FloatArray:
        # sin^2(pi u / 2) instead of (1 - cos(pi u)) / 2: no cancellation close to the lower limit.
        return self.low + (self.high - self.low) * np.sin((0.5 * math.pi) * as_floats(u)) ** 2

    @property
    def mean(self) -> float:
        return 0.5 * (self.low + self.high)

    @property
    def sd(self) -> float:
        return (self.high - self.low) / math.sqrt(8.0)

    @property
    def support(self) -> tuple[float, float]:
        return self.low, self.high

    @property
    def parameters_text(self) -> str:
        return f"{self.low:.4g} to {self.high:.4g}"
