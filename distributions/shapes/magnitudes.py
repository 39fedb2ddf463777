"""Magnitudes: half-normal, Rayleigh and Weibull distributions of positive quantities."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from scipy.special import erf, erfinv

from distributions.distribution import Distribution, FloatArray, Values, as_floats
from distributions.validity import require_positive


@dataclass(frozen=True)
class HalfNormal(Distribution):
    """Magnitude of N(0, sigma^2): a drift of known direction, such as ageing.

    sigma  standard deviation of the whole normal distribution; that of the magnitude, `sd`, is
           sigma * sqrt(1 - 2 / pi)

    >>> from distributions import HalfNormal
    >>> round(HalfNormal(1.0).sd, 4)
    0.6028
    """

    sigma: float
    title: ClassVar[str] = "half-normal"

    def __post_init__(self) -> None:
        require_positive("HalfNormal", sigma=self.sigma)

    def pdf(self, x: Values) -> FloatArray:
        z = as_floats(x) / self.sigma
        return np.where(z >= 0.0, math.sqrt(2.0 / math.pi) / self.sigma * np.exp(-0.5 * z * z), 0.0)

    def cdf(self, x: Values) -> FloatArray:
        return erf(np.maximum(as_floats(x) / (math.sqrt(2.0) * self.sigma), 0.0))

    def ppf(self, u: Values) -> FloatArray:
        return math.sqrt(2.0) * self.sigma * erfinv(as_floats(u))

    @property
    def mean(self) -> float:
        return self.sigma * math.sqrt(2.0 / math.pi)

    @property
    def sd(self) -> float:
        return self.sigma * math.sqrt(1.0 - 2.0 / math.pi)

    @property
    def support(self) -> tuple[float, float]:
        return 0.0, math.inf


@dataclass(frozen=True)
class Rayleigh(Distribution):
    """Distance from the target when both coordinates are N(0, sigma^2), such as a placement offset.

    >>> from distributions import Rayleigh
    >>> round(Rayleigh(1.0).mean, 4)
    1.2533
    """

    sigma: float
    title: ClassVar[str] = "Rayleigh"

    def __post_init__(self) -> None:
        require_positive("Rayleigh", sigma=self.sigma)

    def pdf(self, x: Values) -> FloatArray:
        z = np.maximum(as_floats(x) / self.sigma, 0.0)
        return z * np.exp(-0.5 * z * z) / self.sigma

    def cdf(self, x: Values) -> FloatArray:
        z = np.maximum(as_floats(x) / self.sigma, 0.0)
        return -np.expm1(-0.5 * z * z)

    def ppf(self, u: Values) -> FloatArray:
        return self.sigma * np.sqrt(-2.0 * np.log1p(-as_floats(u)))

    @property
    def mean(self) -> float:
        return self.sigma * math.sqrt(0.5 * math.pi)

    @property
    def sd(self) -> float:
        return self.sigma * math.sqrt(2.0 - 0.5 * math.pi)

    @property
    def support(self) -> tuple[float, float]:
        return 0.0, math.inf


@dataclass(frozen=True)
class Weibull(Distribution):
    """Weibull distribution with cumulative probability 1 - exp(-(x / scale)^shape), for lives.

    >>> from distributions import Weibull
    >>> round(float(Weibull(2.0, 5.0).cdf(5.0)), 4)
    0.6321
    """

    shape: float
    scale: float
    title: ClassVar[str] = "Weibull"

    def __post_init__(self) -> None:
        require_positive("Weibull", shape=self.shape, scale=self.scale)

    def pdf(self, x: Values) -> FloatArray:
        z = as_floats(x) / self.scale
        inside = z > 0.0
        safe = np.where(inside, z, 1.0)
        density = self.shape / self.scale * safe ** (self.shape - 1.0) * np.exp(-(safe**self.shape))
        return np.where(inside, density, 0.0)

    def cdf(self, x: Values) -> FloatArray:
        return -np.expm1(-(np.maximum(as_floats(x) / self.scale, 0.0) ** self.shape))

    def ppf(self, u: Values) -> FloatArray:
        return self.scale * (-np.log1p(-as_floats(u))) ** (1.0 / self.shape)

    @property
    def mean(self) -> float:
        return self.scale * math.gamma(1.0 + 1.0 / self.shape)

    @property
    def sd(self) -> float:
        first = math.gamma(1.0 + 1.0 / self.shape)
        return self.scale * math.sqrt(math.gamma(1.0 + 2.0 / self.shape) - first * first)

    @property
    def support(self) -> tuple[float, float]:
        return 0.0, math.inf

    @property
    def parameters_text(self) -> str:
        return f"shape {self.shape:.4g}"
