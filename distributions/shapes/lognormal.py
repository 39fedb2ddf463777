"""Lognormal distribution."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from scipy.special import ndtr, ndtri

from distributions.distribution import Distribution, FloatArray, Values, as_floats
from distributions.validity import require_positive


@dataclass(frozen=True)
class Lognormal(Distribution):
    """Lognormal distribution: exp of N(ln median, log_sd^2), for positive quantities and factors.

    median  in the unit of the quantity
    log_sd  standard deviation of the natural logarithm (about the relative one where small)

    >>> from distributions import Lognormal
    >>> round(float(Lognormal(40.0, 0.1).ppf(0.5)), 6)
    40.0
    """

    median: float
    log_sd: float
    title: ClassVar[str] = "lognormal"

    def __post_init__(self) -> None:
        require_positive("Lognormal", median=self.median, log_sd=self.log_sd)

    def _score(self, x: Values) -> tuple[FloatArray, FloatArray]:
        """Values with those below zero replaced by the median, and their standard normal scores."""
        safe = np.where(as_floats(x) > 0.0, x, self.median)
        return safe, np.log(safe / self.median) / self.log_sd

    def pdf(self, x: Values) -> FloatArray:
        safe, z = self._score(x)
        density = np.exp(-0.5 * z * z) / (safe * (self.log_sd * math.sqrt(2.0 * math.pi)))
        return np.where(as_floats(x) > 0.0, density, 0.0)

    def cdf(self, x: Values) -> FloatArray:
        return np.where(as_floats(x) > 0.0, ndtr(self._score(x)[1]), 0.0)

    def ppf(self, u: Values) -> FloatArray:
        return self.median * np.exp(self.log_sd * ndtri(as_floats(u)))

    @property
    def mean(self) -> float:
        return self.median * math.exp(0.5 * self.log_sd**2)

    @property
    def sd(self) -> float:
        return self.mean * math.sqrt(math.expm1(self.log_sd**2))

    @property
    def support(self) -> tuple[float, float]:
        return 0.0, math.inf

    @property
    def parameters_text(self) -> str:
        return f"median {self.median:.4g}"
