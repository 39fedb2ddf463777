"""Rectangular distribution."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from distributions.distribution import Distribution, FloatArray, Values, as_floats
from distributions.validity import require_limits


@dataclass(frozen=True)
class Rectangular(Distribution):
    """Rectangular distribution R(low, high): nothing known but the limits (GUM 4.3.7; JCGM 101, 6.4.2).

    >>> from distributions import Rectangular
    >>> round(Rectangular(-1.0, 1.0).sd, 4)
    0.5774
    """

    low: float
    high: float
    title: ClassVar[str] = "rectangular"

    def __post_init__(self) -> None:
        require_limits("Rectangular", self.low, self.high)

    def pdf(self, x: Values) -> FloatArray:
        inside = (as_floats(x) >= self.low) & (as_floats(x) <= self.high)
        return np.where(inside, 1.0 / (self.high - self.low), 0.0)

    def cdf(self, x: Values) -> FloatArray:
        return np.clip((as_floats(x) - self.low) / (self.high - self.low), 0.0, 1.0)

    def ppf(self, u: Values) -> FloatArray:
        return self.low + (self.high - self.low) * as_floats(u)

    @property
    def mean(self) -> float:
        return 0.5 * (self.low + self.high)

    @property
    def sd(self) -> float:
        return (self.high - self.low) / math.sqrt(12.0)

    @property
    def support(self) -> tuple[float, float]:
        return self.low, self.high

    @property
    def parameters_text(self) -> str:
        return f"{self.low:.4g} to {self.high:.4g}"
