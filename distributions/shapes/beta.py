"""Beta distribution between limits."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from scipy.special import betainc, betaincinv, betaln

from distributions.distribution import Distribution, FloatArray, Values, as_floats
from distributions.validity import require_limits, require_positive


@dataclass(frozen=True)
class Beta(Distribution):
    """Beta distribution with exponents alpha - 1 and beta - 1, stretched over [low, high].

    >>> from distributions import Beta
    >>> Beta(2.0, 3.0).mean
    0.4
    """

    alpha: float
    beta: float
    low: float = 0.0
    high: float = 1.0
    title: ClassVar[str] = "beta"

    def __post_init__(self) -> None:
        require_positive("Beta", alpha=self.alpha, beta=self.beta)
        require_limits("Beta", self.low, self.high)

    def _share(self, x: Values) -> FloatArray:
        return np.clip((as_floats(x) - self.low) / (self.high - self.low), 0.0, 1.0)

    def pdf(self, x: Values) -> FloatArray:
        share = self._share(x)
        inside = (share > 0.0) & (share < 1.0)
        safe = np.where(inside, share, 0.5)
        log = (self.alpha - 1.0) * np.log(safe) + (self.beta - 1.0) * np.log1p(-safe)
        return np.where(
            inside, np.exp(log - float(betaln(self.alpha, self.beta))) / (self.high - self.low), 0.0
        )

    def cdf(self, x: Values) -> FloatArray:
        return betainc(self.alpha, self.beta, self._share(x))

    def ppf(self, u: Values) -> FloatArray:
        return self.low + (self.high - self.low) * betaincinv(self.alpha, self.beta, as_floats(u))

    @property
    def mean(self) -> float:
        return self.low + (self.high - self.low) * self.alpha / (self.alpha + self.beta)

    @property
    def sd(self) -> float:
        total = self.alpha + self.beta
        return (self.high - self.low) * math.sqrt(self.alpha * self.beta / (total + 1.0)) / total

    @property
    def support(self) -> tuple[float, float]:
        return self.low, self.high

    @property
    def parameters_text(self) -> str:
        return f"{self.low:.4g} to {self.high:.4g}, exponents {self.alpha:.4g} and {self.beta:.4g}"
