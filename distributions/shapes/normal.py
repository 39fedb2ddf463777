"""Normal distribution."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from scipy.special import ndtr, ndtri

from distributions.distribution import Distribution, FloatArray, Values, as_floats
from distributions.validity import require_finite, require_positive


@dataclass(frozen=True)
class Normal(Distribution):
    """Normal distribution N(mean, sd^2): best estimate and standard uncertainty known (JCGM 101, 6.4.7).

    >>> from distributions import Normal
    >>> round(float(Normal(0.0, 1.0).ppf(0.975)), 2)
    1.96
    """

    mean: float
    sd: float
    title: ClassVar[str] = "normal"

    def __post_init__(self) -> None:
        require_finite("Normal", mean=self.mean)
        require_positive("Normal", sd=self.sd)

    def pdf(self, x: Values) -> FloatArray:
        z = (as_floats(x) - self.mean) / self.sd
        return np.exp(-0.5 * z * z) / (self.sd * math.sqrt(2.0 * math.pi))

    def cdf(self, x: Values) -> FloatArray:
        return ndtr((as_floats(x) - self.mean) / self.sd)

    def ppf(self, u: Values) -> FloatArray:
        score = ndtri(as_floats(u))
        # a standardised draw is the score itself: it stands at the highest rank, where a pass counts
        return score if self.mean == 0.0 and self.sd == 1.0 else self.mean + self.sd * score

    @property
    def support(self) -> tuple[float, float]:
        return -math.inf, math.inf
