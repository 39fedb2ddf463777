"""The shapes that are tried: how each is estimated, and what its estimates say about the true parameters.

How far the estimates of samples drawn from the fitted shape (starred) lie from the fitted parameters tells how
far the fitted ones may lie from the truth. For a location m and a scale s, (m* - m) / s* and s* / s have
distributions free of m and s, so that

    scale = s s / s*,    location = m - (m* - m) / s* s

are draws of the true values with exact coverage (Lawless, Statistical Models and Methods for Lifetime Data,
2003, 5.1.2 and appendix E); a lognormal or Weibull quantity is such a case in its logarithm. Exponents of gamma
and beta are mirrored in their logarithm, a^2 / a*; the mode of a triangle and the degrees of freedom of a
Student t are taken as they come. These are approximate.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from distributions.distribution import Distribution, FloatArray
from distributions.fitting import estimators, searched
from distributions.shapes import (
    Beta,
    Exponential,
    Gamma,
    HalfNormal,
    Lognormal,
    Normal,
    Rayleigh,
    Rectangular,
    StudentT,
    Triangular,
    Weibull,
)

Estimate = Callable[[FloatArray], FloatArray]
Inversion = Callable[[FloatArray, FloatArray], FloatArray]


@dataclass(frozen=True)
class Candidate:
    """A shape that may be fitted.

    shape     its class; the parameters are its fields in order
    estimate  samples (rows, n), ascending -> parameters (rows, p)
    invert    fitted parameters (p,), estimates of samples drawn from them (rows, p) -> draws of the true
              parameters (rows, p)
    above     all values must lie above this
    free      number of parameters estimated from the data
    """

    shape: type[Distribution]
    estimate: Estimate
    invert: Inversion
    free: int
    above: float = -np.inf

    @property
    def title(self) -> str:
        return self.shape.title

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the parameters."""
        return tuple(field.name for field in dataclasses.fields(self.shape))  # type: ignore[arg-type]

    def made(self, parameters: FloatArray) -> Distribution:
        """The distribution with these parameters, (p,)."""
        return self.shape(*map(float, parameters))


def candidates(limits: tuple[float, float]) -> tuple[Candidate, ...]:
    """All shapes that can be fitted; `limits` are those of the beta shape."""

    def beta(samples: FloatArray) -> FloatArray:
        return estimators.beta(samples, limits)

    return (
        Candidate(Normal, estimators.normal, _location_scale, 2),
        Candidate(Lognormal, estimators.lognormal, _lognormal, 2, above=0.0),
        Candidate(Rectangular, estimators.rectangular, _limits, 2),
        Candidate(Triangular, searched.triangular, _triangular, 3),
        Candidate(Beta, beta, _beta, 2, above=limits[0]),
        Candidate(Gamma, estimators.gamma, _gamma, 2, above=0.0),
        Candidate(Weibull, estimators.weibull, _weibull, 2, above=0.0),
        Candidate(HalfNormal, estimators.half_normal, _scale, 1, above=0.0),
        Candidate(Rayleigh, estimators.rayleigh, _scale, 1, above=0.0),
        Candidate(Exponential, estimators.exponential, _scale, 1, above=0.0),
        Candidate(StudentT, searched.student_t, _student, 3),
    )


def _scale(fitted: FloatArray, starred: FloatArray) -> FloatArray:
    return fitted * fitted / starred


def _location_scale(fitted: FloatArray, starred: FloatArray) -> FloatArray:
    location, scale = fitted
    moved = location - (starred[:, 0] - location) / starred[:, 1] * scale
    return np.stack([moved, scale * scale / starred[:, 1]], axis=1)


def _lognormal(fitted: FloatArray, starred: FloatArray) -> FloatArray:
    logs = _location_scale(_log_first(fitted), _log_first(starred))
    return np.stack([np.exp(logs[:, 0]), logs[:, 1]], axis=1)


def _log_first(parameters: FloatArray) -> FloatArray:
    return np.stack([np.log(parameters[..., 0]), parameters[..., 1]], axis=-1)


def _weibull(fitted: FloatArray, starred: FloatArray) -> FloatArray:
    """ln x has the location ln(scale) and the scale 1 / shape."""

    def coordinates(parameters: FloatArray) -> FloatArray:
        return np.stack([np.log(parameters[..., 1]), 1.0 / parameters[..., 0]], axis=-1)

    logs = _location_scale(coordinates(fitted), coordinates(starred))
    return np.stack([1.0 / logs[:, 1], np.exp(logs[:, 0])], axis=1)


def _limits(fitted: FloatArray, starred: FloatArray) -> FloatArray:
    """The lower limit is the location, the width the scale."""
    drawn = _location_scale(_width(fitted), _width(starred))
    return np.stack([drawn[:, 0], drawn[:, 0] + drawn[:, 1]], axis=1)


def _width(limits: FloatArray) -> FloatArray:
    return np.stack([limits[..., 0], limits[..., 1] - limits[..., 0]], axis=-1)


def _triangular(fitted: FloatArray, starred: FloatArray) -> FloatArray:
    ends = _limits(fitted[:2], starred[:, :2])
    share = (starred[:, 2] - starred[:, 0]) / (starred[:, 1] - starred[:, 0])
    mode = np.clip(ends[:, 0] + share * (ends[:, 1] - ends[:, 0]), ends[:, 0], ends[:, 1])
    return np.concatenate([ends, mode[:, None]], axis=1)


def _gamma(fitted: FloatArray, starred: FloatArray) -> FloatArray:
    """Shape mirrored; the mean, shape * scale, is drawn as a scale."""
    shape = fitted[0] ** 2 / starred[:, 0]
    mean = (fitted[0] * fitted[1]) ** 2 / (starred[:, 0] * starred[:, 1])
    return np.stack([shape, mean / shape], axis=1)


def _beta(fitted: FloatArray, starred: FloatArray) -> FloatArray:
    """Both exponents mirrored; the limits are known."""
    return np.concatenate([fitted[:2] ** 2 / starred[:, :2], starred[:, 2:]], axis=1)


def _student(fitted: FloatArray, starred: FloatArray) -> FloatArray:
    return np.concatenate([_location_scale(fitted[:2], starred[:, :2]), starred[:, 2:]], axis=1)
