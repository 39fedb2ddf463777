"""A distribution with its location and scale changed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from distributions.distribution import Distribution, FloatArray, Values, as_floats
from distributions.validity import require_finite, require_positive


@dataclass(frozen=True)
class Shifted(Distribution):
    """location + scale * base, scale above 0.

    >>> from distributions import HalfNormal, Shifted
    >>> Shifted(HalfNormal(1.0), 5.0, 2.0).support
    (5.0, inf)
    """

    base: Distribution
    location: float
    scale: float
    title: ClassVar[str] = "shifted"

    def __post_init__(self) -> None:
        require_finite("Shifted", location=self.location)
        require_positive("Shifted", scale=self.scale)

    def _standard(self, x: Values) -> FloatArray:
        return (as_floats(x) - self.location) / self.scale

    def pdf(self, x: Values) -> FloatArray:
        return self.base.pdf(self._standard(x)) / self.scale

    def cdf(self, x: Values) -> FloatArray:
        standard = self._standard(x)
        if self.base.atoms.size:
            # Undoing the shift rounds; an atom must count exactly for the values at or above it.
            ends = np.concatenate([[-np.inf], self.base.atoms, [np.inf]])
            reached = np.searchsorted(self.atoms, as_floats(x), side="right")
            standard = np.clip(standard, ends[reached], np.nextafter(ends[reached + 1], -np.inf))
        return self.base.cdf(standard)

    def ppf(self, u: Values) -> FloatArray:
        return self.location + self.scale * self.base.ppf(u)

    @property
    def mean(self) -> float:
        return self.location + self.scale * self.base.mean

    @property
    def sd(self) -> float:
        return self.scale * self.base.sd

    @property
    def support(self) -> tuple[float, float]:
        low, high = self.base.support
        return self.location + self.scale * low, self.location + self.scale * high

    @property
    def atoms(self) -> FloatArray:
        return self.location + self.scale * self.base.atoms

    @property
    def parameters_text(self) -> str:
        return self.base.title
