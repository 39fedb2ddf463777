"""Gamma distribution and its special case, the exponential distribution."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from scipy.special import gammainc, gammaincinv

from distributions.distribution import Distribution, FloatArray, Values, as_floats
from distributions.validity import require_positive


@dataclass(frozen=True)
class Gamma(Distribution):
    """Gamma distribution of mean shape * scale (JCGM 101, 6.4.11, for counts: shape = count + 1, scale 1).

    >>> from distributions import Gamma
    >>> Gamma(4.0, 1.0).mean, Gamma(4.0, 1.0).sd
    (4.0, 2.0)
    """

    shape: float
    scale: float
    title: ClassVar[str] = "gamma"

    def __post_init__(self) -> None:
        require_positive("Gamma", shape=self.shape, scale=self.scale)

    def pdf(self, x: Values) -> FloatArray:
        z = as_floats(x) / self.scale
        inside = z > 0.0
        safe = np.where(inside, z, 1.0)
        log = (self.shape - 1.0) * np.log(safe) - safe - math.lgamma(self.shape)
        return np.where(inside, np.exp(log) / self.scale, 0.0)

    def cdf(self, x: Values) -> FloatArray:
        return as_floats(gammainc(self.shape, np.maximum(as_floats(x) / self.scale, 0.0)))

    def ppf(self, u: Values) -> FloatArray:
        return self.scale * as_floats(gammaincinv(self.shape, as_floats(u)))

    @property
    def mean(self) -> float:
        return self.shape * self.scale

    @property
    def sd(self) -> float:
        return math.sqrt(self.shape) * self.scale

    @property
    def support(self) -> tuple[float, float]:
        return 0.0, math.inf

    @property
    def parameters_text(self) -> str:
        return f"shape {self.shape:.4g}"


@dataclass(frozen=True)
class Exponential(Distribution):
    """Exponential distribution: a positive quantity of which the mean alone is known (JCGM 101, 6.4.10).

    >>> from distributions import Exponential
    >>> Exponential(2.0).sd
    2.0
    """

    scale: float
    title: ClassVar[str] = "exponential"

    def __post_init__(self) -> None:
        require_positive("Exponential", scale=self.scale)

    def pdf(self, x: Values) -> FloatArray:
        z = as_floats(x) / self.scale
        return np.where(z >= 0.0, np.exp(-np.maximum(z, 0.0)) / self.scale, 0.0)

    def cdf(self, x: Values) -> FloatArray:
        return -np.expm1(-np.maximum(as_floats(x) / self.scale, 0.0))

    def ppf(self, u: Values) -> FloatArray:
        return -self.scale * np.log1p(-as_floats(u))

    @property
    def mean(self) -> float:
        return self.scale

    @property
    def sd(self) -> float:
        return self.scale

    @property
    def support(self) -> tuple[float, float]:
        return 0.0, math.inf
