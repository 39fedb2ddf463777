"""Scaled and shifted Student t distribution."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from scipy.special import stdtr, stdtrit

from distributions.distribution import Distribution, FloatArray, Values, as_floats
from distributions.validity import InvalidParameter, require_finite, require_positive


@dataclass(frozen=True)
class StudentT(Distribution):
    """Scaled and shifted t distribution: a mean known from few repeats (JCGM 101, 6.4.9).

    location  best estimate
    scale     standard uncertainty as stated with the degrees of freedom; the standard deviation is larger,
              scale * sqrt(dof / (dof - 2))
    dof       degrees of freedom, above 2 so that the standard deviation exists

    >>> from distributions import StudentT
    >>> round(StudentT(0.0, 1.0, 4.0).sd, 4)
    1.4142
    """

    location: float
    scale: float
    dof: float
    title: ClassVar[str] = "Student t"

    def __post_init__(self) -> None:
        require_finite("StudentT", location=self.location)
        require_positive("StudentT", scale=self.scale, dof=self.dof)
        if not self.dof > 2.0:
            raise InvalidParameter(
                "StudentT",
                "dof",
                self.dof,
                "above 2: no standard deviation exists below; take more repeats",
            )

    def pdf(self, x: Values) -> FloatArray:
        z = (as_floats(x) - self.location) / self.scale
        log_norm = math.lgamma(0.5 * (self.dof + 1.0)) - math.lgamma(0.5 * self.dof)
        norm = math.exp(log_norm) / (math.sqrt(self.dof * math.pi) * self.scale)
        return norm * np.exp(-0.5 * (self.dof + 1.0) * np.log1p(z * z / self.dof))

    def cdf(self, x: Values) -> FloatArray:
        return as_floats(stdtr(self.dof, (as_floats(x) - self.location) / self.scale))

    def ppf(self, u: Values) -> FloatArray:
        return self.location + self.scale * as_floats(stdtrit(self.dof, as_floats(u)))

    @property
    def mean(self) -> float:
        return self.location

    @property
    def sd(self) -> float:
        return self.scale * math.sqrt(self.dof / (self.dof - 2.0))

    @property
    def support(self) -> tuple[float, float]:
        return -math.inf, math.inf

    @property
    def parameters_text(self) -> str:
        return f"{self.dof:.4g} degrees of freedom"
