"""A quantity without spread."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from distributions.distribution import Distribution, FloatArray, Values, as_floats, no_density
from distributions.validity import require_finite


@dataclass(frozen=True)
class Fixed(Distribution):
    """All probability on one value.

    >>> from distributions import Fixed
    >>> Fixed(3.0).mean, Fixed(3.0).sd
    (3.0, 0.0)
    """

    value: float
    title: ClassVar[str] = "fixed"

    def __post_init__(self) -> None:
        require_finite("Fixed", value=self.value)

    def pdf(self, x: Values) -> FloatArray:
        raise no_density(self)

    def cdf(self, x: Values) -> FloatArray:
        return np.where(as_floats(x) >= self.value, 1.0, 0.0)

    def ppf(self, u: Values) -> FloatArray:
        return np.full(np.shape(u), self.value)

    @property
    def mean(self) -> float:
        return self.value

    @property
    def sd(self) -> float:
        return 0.0

    @property
    def support(self) -> tuple[float, float]:
        return self.value, self.value

    @property
    def atoms(self) -> FloatArray:
        return np.array([self.value])
