"""How likely the scores of a prototype are along every segment of every cause."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, ndtr, ndtri
from scipy.stats import f as f_distribution

from margin.diagnosis.segments import Segments

Array = NDArray[np.float64]

AT_ONCE = 32
"""Prototypes that are held against all segments at once: keeps the memory small and near."""


@dataclass(frozen=True)
class Fit:
    """Segments against one prototype.

    log_evidence  (..., segment) logarithm of prior times likelihood, integrated along the segment
    distance      (..., segment) least squared distance from the segment, in its noise
    place, width  (..., segment) place 0 to 1 of that distance and width of the likelihood there
    """

    log_evidence: Array
    distance: Array
    place: Array
    width: Array


@dataclass(frozen=True)
class Projected:
    """Scores of prototypes as they lie to every segment.

    place   (..., segment) along it; rest: squared distance from its line
    along2  (segment,) squared length of each; features: number of them
    """

    place: Array
    rest: Array
    along2: Array
    features: int

    def of(self, rows: NDArray[Any] | int) -> Projected:
        """Some of many prototypes, or one of them."""
        return Projected(self.place[rows], self.rest[rows], self.along2, self.features)


def project(segments: Segments, scores: Array) -> Projected:
    """Place of scores (..., feature) along every segment, and how far they are from it."""
    rows = np.atleast_2d(scores)
    along = segments.whitened_along
    a = np.sum(along * along, axis=1)
    moving = a > 1e-12
    place, rest = np.empty((len(rows), a.size)), np.empty((len(rows), a.size))
    whole = segments.root.reshape(-1, rows.shape[1])
    for start in range(0, len(rows), AT_ONCE):
        part = rows[start : start + AT_ONCE]
        residual = (part @ whole.T).reshape(len(part), *segments.start.shape) - segments.whitened_start
        on_line = np.einsum("si,nsi->ns", along, residual)
        at = np.where(moving, on_line / np.where(moving, a, 1.0), 0.5)
        place[start : start + AT_ONCE] = at
        square = np.einsum("nsi,nsi->ns", residual, residual)
        rest[start : start + AT_ONCE] = np.maximum(square - np.where(moving, on_line * at, 0.0), 0.0)
    shape = (*scores.shape[:-1], a.size)
    return Projected(place.reshape(shape), rest.reshape(shape), a, rows.shape[1])


def fit(segments: Segments, scores: Array) -> Fit:
    """Likelihood of scores (..., feature) along every segment."""
    return fit_of(segments, project(segments, scores))


def fit_of(segments: Segments, at: Projected, factor: Array | float = 1.0) -> Fit:
    """Likelihood of what was projected, with covariances `factor`, of all or of each segment, times as large.

    Along a segment the squared distance is a parabola a (t - t0)^2 + rest; the density is taken as that of a
    multivariate t distribution at the rest, times the normal integral of the parabola.
    """
    p, nu = at.features, segments.freedom
    a, place, rest = at.along2 / factor, at.place, at.rest / factor
    safe = np.where(a > 1e-12, a, 1.0)
    # covariance of a t distribution is nu / (nu - 2) times its scale
    scale = (nu - 2.0) / nu
    log_constant = gammaln(0.5 * (nu + p)) - gammaln(0.5 * nu) - 0.5 * p * np.log(math.pi * nu * scale)
    held = np.clip(place, 0.0, 1.0)
    nearest = rest + np.where(a > 1e-12, safe * (place - held) ** 2, 0.0)
    log_det = segments.log_det + p * np.log(factor)
    log_density = log_constant - 0.5 * log_det - 0.5 * (nu + p) * np.log1p(nearest / (nu * scale))
    # near the nearest place the logarithm of the density falls as a normal one of this width
    width = np.sqrt((nu * scale + nearest) / (nu + p) / safe)
    low, high = (0.0 - place) / width, (1.0 - place) / width
    peak = np.where(place < 0.0, low, np.where(place > 1.0, high, 0.0))
    mass = _interval(low, high)
    log_length = np.log(np.maximum(mass, 1e-300)) + 0.5 * np.log(2.0 * np.pi) + np.log(width) + 0.5 * peak**2
    log_length = np.where(
        mass > 1e-280, np.minimum(log_length, 0.0), np.log(width / np.maximum(np.abs(peak), 1.0))
    )
    log_length = np.where(a > 1e-12, np.minimum(log_length, 0.0), 0.0)
    return Fit(log_density + log_length + np.log(segments.prior), nearest, place, width)


def _interval(low: Array, high: Array) -> Array:
    """Probability of a standard normal variable between two places, without cancellation in the upper tail."""
    swapped = low > 0.0
    first, last = np.where(swapped, -high, low), np.where(swapped, -low, high)
    result: Array = ndtr(last) - ndtr(first)
    return result


def nearest_of(segments: Segments, at: Projected) -> Array:
    """Least squared distance of what was projected from every segment, (..., segment)."""
    beyond = at.place - np.clip(at.place, 0.0, 1.0)
    return np.asarray(at.rest + np.where(at.along2 > 1e-12, at.along2 * beyond**2, 0.0))


def tail(distance: Array, features: int, freedom: Array | float) -> Array:
    """Probability of a larger squared distance where a hypothesis is true: F distribution of a multivariate t.

    features  free: one less where a size was fitted
    """
    nu, left = freedom, features
    return np.asarray(f_distribution.sf(distance * nu / (nu - 2.0) / left, left, nu))


def size_quantiles(segments: Segments, found: Fit, which: NDArray[np.bool_], at: Sequence[float]) -> Array:
    """Quantiles of the size of one cause, from the likelihood along its segments."""
    places = np.flatnonzero(which)
    weight = np.exp(found.log_evidence[places] - np.max(found.log_evidence[places]))
    weight /= weight.sum()
    kept = places[weight > 1e-4]
    weight = weight[weight > 1e-4]
    probabilities = (np.arange(40) + 0.5) / 40.0
    sizes, masses = [], []
    for segment, each in zip(kept, weight, strict=True):
        below = ndtr((0.0 - found.place[segment]) / found.width[segment])
        above = ndtr((1.0 - found.place[segment]) / found.width[segment])
        t = found.place[segment] + found.width[segment] * ndtri(
            np.clip(below + probabilities * (above - below), 1e-15, 1.0 - 1e-15)
        )
        t = np.clip(t, 0.0, 1.0)
        sizes.append(segments.low[segment] + t * (segments.high[segment] - segments.low[segment]))
        masses.append(np.full(40, each / 40.0))
    values, mass = np.concatenate(sizes), np.concatenate(masses)
    order = np.argsort(values)
    total = np.cumsum(mass[order])
    return np.asarray(np.interp(at, (total - 0.5 * mass[order]) / total[-1], values[order]))
