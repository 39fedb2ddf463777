"""How likely the features of a prototype are under each cause: from engine draws over the sizes that it may have."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, ndtr, ndtri
from scipy.stats import f as f_distribution

from margin.case.types import Case
from margin.diagnosis.catalogue import Cause, causes_of
from margin.diagnosis.observation import Plan, condense
from margin.diagnosis.situation import Situation, as_designed, draw_readings

Array = NDArray[np.float64]

LEAST_SHIFT = 1.0
"""Shift of the features, in their own noise, below which a cause does nothing that these data could show."""

LEAST_VARIANCE = 0.003
"""Share of the variance of an unchanged prototype that is added to each feature: draws are few, codes are whole."""

LEAST_UNLOADED = 0.25
"""The same for features of unloaded readings: many units report 0 N exactly, which no smooth density describes."""

SMALLEST_OF_RANGE = 1e-3
"""The search for the least size that shows begins at this share of the low end of the range."""

SEED = 20_240


@dataclass(frozen=True)
class Drawn:
    """Features of drawn prototypes with one size of one cause: mean (feature,) and covariance."""

    size: float
    mean: Array
    covariance: Array


@dataclass(frozen=True)
class Segments:
    """Every cause as straight pieces between the sizes that were drawn; the unchanged prototype as a piece of length 0.

    owner      (segment,) index of the cause; -1 for the unchanged prototype
    low, high  (segment,) sizes; start, along: (segment, feature) features at `low`, and from there to `high`
    root       (segment, feature, feature) inverse Cholesky factor of the covariance; log_det of that covariance
    prior      (segment,) probability within its cause
    freedom    degrees of freedom of the multivariate t distribution of the features
    """

    owner: NDArray[np.int64]
    low: Array
    high: Array
    start: Array
    along: Array
    root: Array
    log_det: Array
    prior: Array
    freedom: float

    @cached_property
    def whitened_start(self) -> Array:
        """(segment, feature)."""
        return np.asarray(np.einsum("sij,sj->si", self.root, self.start), dtype=np.float64)

    @cached_property
    def whitened_along(self) -> Array:
        """(segment, feature)."""
        return np.asarray(np.einsum("sij,sj->si", self.root, self.along), dtype=np.float64)


@dataclass(frozen=True)
class Fit:
    """Segments against one prototype.

    log_evidence  (segment,) logarithm of prior times likelihood, integrated along the segment
    distance      (segment,) least squared distance from the segment, in its noise
    place, width  (segment,) place 0 to 1 of that distance and width of the likelihood there
    """

    log_evidence: Array
    distance: Array
    place: Array
    width: Array


def draw_cause(
    case: Case, plan: Plan, situation: Situation, size: float, units: int, seed: int = SEED
) -> tuple[Drawn, Array]:
    """Mean and covariance of the features of a changed prototype, and the features drawn, (unit, feature)."""
    features = condense(plan, draw_readings(situation, plan, units, seed))
    return Drawn(size, features.mean(axis=0), np.cov(features, rowvar=False)), features


def shift(drawn: Drawn, unchanged: Drawn) -> float:
    """Distance between two means, in the noise of the unchanged prototype; as far as a single feature shows it."""
    noise = np.sqrt(np.diag(unchanged.covariance)) + 1e-9
    return float(np.max(np.abs(drawn.mean - unchanged.mean) / noise))


@dataclass(frozen=True)
class Predicted:
    """What every cause predicts for a plan, over its sizes.

    sizes  by cause: what was drawn, ascending, a list for each sign
    """

    case: Case
    plan: Plan
    causes: tuple[Cause, ...]
    unchanged: Drawn
    sizes: tuple[tuple[tuple[Drawn, ...], ...], ...]
    segments: Segments

    def names(self) -> tuple[str, ...]:
        """Names of the causes, in order."""
        return tuple(cause.name for cause in self.causes)


def predict(
    case: Case,
    plan: Plan,
    *,
    causes: Sequence[Cause] | None = None,
    units: int = 1000,
    sizes: int = 12,
    seed: int = SEED,
) -> Predicted:
    """Draw prototypes with every cause at every size: what a diagnosis compares with.

    causes  default: those of the catalogue and of one's own that suit the case
    units   prototypes drawn for each size; all sizes share their draws
    sizes   drawn for each sign of a cause, from the least that shows in these data

    Unit-to-unit and lot-to-lot spread, mounting, placements, station and knowledge of the spreads are drawn by the
    engine and so integrated out.
    """
    found = causes_of(case) if causes is None else tuple(causes)
    base = as_designed(case)
    unchanged, features = draw_cause(case, plan, base, 0.0, units, seed)
    drawn: list[tuple[tuple[Drawn, ...], ...]] = []
    for cause in found:
        signs = (-1.0, 1.0) if cause.signed else (1.0,)
        drawn.append(
            tuple(_along(case, plan, base, cause, sign, unchanged, units, sizes, seed) for sign in signs)
        )
    freedom = freedom_of(features, unchanged)
    floor = floor_of(plan, unchanged)
    return Predicted(
        case, plan, found, unchanged, tuple(drawn), segments_of(unchanged, drawn, freedom, floor)
    )


def floor_of(plan: Plan, unchanged: Drawn) -> Array:
    """Variance that is added to each feature, (feature,)."""
    unloaded = np.array([all(plan.steps[place].load == 0.0 for place in f.steps) for f in plan.features])
    share = np.where(unloaded, LEAST_UNLOADED, LEAST_VARIANCE)
    result: Array = share * np.diag(unchanged.covariance) + 1e-9
    return result


def _along(
    case: Case,
    plan: Plan,
    base: Situation,
    cause: Cause,
    sign: float,
    unchanged: Drawn,
    units: int,
    sizes: int,
    seed: int,
) -> tuple[Drawn, ...]:
    """Draws of one sign of a cause from the least size that shows to the largest."""

    def at(size: float, count: int) -> Drawn:
        return draw_cause(case, plan, cause.apply(base, sign * size), sign * size, count, seed)[0]

    few = min(units, 200)
    compared = draw_cause(case, plan, base, 0.0, few, seed)[0]
    low, high = math.log(SMALLEST_OF_RANGE * cause.low), math.log(cause.high)
    for _ in range(7):
        middle = 0.5 * (low + high)
        if shift(at(math.exp(middle), few), compared) < LEAST_SHIFT:
            low = middle
        else:
            high = middle
    # a cause that hardly shows at its largest is kept over its stated range: the data cannot tell it from nothing
    least = min(math.exp(high), 0.5 * cause.high)
    return tuple(at(size, units) for size in np.geomspace(least, cause.high, sizes))


def freedom_of(features: Array, drawn: Drawn) -> float:
    """Degrees of freedom of a multivariate t distribution with the fourth moment of these features.

    E d^4 / (E d^2)^2 = (1 + 2/p) (nu - 2) / (nu - 4) for p features: Mardia's kurtosis of the t distribution
    (from memory). Between 6 and 200.
    """
    root = np.linalg.inv(np.linalg.cholesky(drawn.covariance + 1e-12 * np.eye(features.shape[1])))
    squared = np.sum(((features - drawn.mean) @ root.T) ** 2, axis=1)
    ratio = float(np.mean(squared**2) / np.mean(squared) ** 2) / (1.0 + 2.0 / features.shape[1])
    return float(np.clip((4.0 * ratio - 2.0) / max(ratio - 1.0, 1e-6), 6.0, 200.0))


def segments_of(
    unchanged: Drawn, drawn: Sequence[Sequence[Sequence[Drawn]]], freedom: float, added: Array
) -> Segments:
    """Segments between the drawn sizes, the unchanged prototype first; prior uniform in the logarithm of the size.

    added  (feature,) variance added to each feature
    """
    floor = np.diag(added)
    owner, ends, means, covariances, prior = [-1], [(0.0, 0.0)], [(unchanged.mean, unchanged.mean)], [], [1.0]
    covariances.append(unchanged.covariance + floor)
    for index, signs in enumerate(drawn):
        for path in signs:
            whole = math.log(path[-1].size / path[0].size) * len(signs)
            bent = _departures(path)
            for a, b, off in zip(path[:-1], path[1:], bent, strict=True):
                owner.append(index)
                ends.append((a.size, b.size))
                means.append((a.mean, b.mean))
                between = np.outer(off, off) + np.diag(0.5 * off * off)
                covariances.append(0.5 * (a.covariance + b.covariance) + between + floor)
                prior.append(math.log(b.size / a.size) / whole)
    factors = np.linalg.cholesky(np.array(covariances))
    start, stop = np.array([m[0] for m in means]), np.array([m[1] for m in means])
    low, high = np.array(ends).T
    return Segments(
        np.array(owner), low, high, start, stop - start, np.asarray(np.linalg.inv(factors), dtype=np.float64),
        2.0 * np.sum(np.log(np.diagonal(factors, axis1=1, axis2=2)), axis=1), np.array(prior), freedom,
    )  # fmt: skip


def _departures(path: Sequence[Drawn]) -> Array:
    """How far the mean may depart from the straight line inside each piece of a path, (piece, feature).

    An eighth of the second difference of the means, the larger of those at both ends: the middle of a parabola.
    """
    mean, size = np.array([each.mean for each in path]), np.array([each.size for each in path])
    steps = np.diff(size)
    if steps.size < 2:
        return np.zeros((steps.size, mean.shape[1]))
    slopes = np.diff(mean, axis=0) / steps[:, None]
    # by how much the slope changes at the inner sizes, over the length of the piece
    turn = np.abs(np.diff(slopes, axis=0))
    before = np.concatenate([turn[:1], turn])
    after = np.concatenate([turn, turn[-1:]])
    result: Array = np.maximum(before, after) * steps[:, None] / 8.0
    return result


def fit(segments: Segments, features: Array) -> Fit:
    """Likelihood of the features (feature,) along every segment.

    Along a segment the squared distance is a parabola a (t - t0)^2 + rest; the density is taken as that of a
    multivariate t distribution at the rest, times the normal integral of the parabola.
    """
    p, nu = features.size, segments.freedom
    residual = np.einsum("sij,j->si", segments.root, features) - segments.whitened_start
    along = segments.whitened_along
    a = np.sum(along * along, axis=1)
    safe = np.where(a > 1e-12, a, 1.0)
    place = np.where(a > 1e-12, np.sum(along * residual, axis=1) / safe, 0.5)
    square = np.sum(residual * residual, axis=1)
    rest = np.maximum(square - np.where(a > 1e-12, safe * place**2, 0.0), 0.0)
    # covariance of a t distribution is nu / (nu - 2) times its scale
    scale = (nu - 2.0) / nu
    log_constant = gammaln(0.5 * (nu + p)) - gammaln(0.5 * nu) - 0.5 * p * math.log(math.pi * nu * scale)
    held = np.clip(place, 0.0, 1.0)
    nearest = rest + np.where(a > 1e-12, safe * (place - held) ** 2, 0.0)
    log_density = log_constant - 0.5 * segments.log_det - 0.5 * (nu + p) * np.log1p(nearest / (nu * scale))
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


def tail(segments: Segments, distance: Array, features: int, free: int = 1) -> Array:
    """Probability of a larger distance where the cause is true: F distribution of a multivariate t.

    free  sizes that were fitted: one feature less is left
    """
    nu = segments.freedom
    left = np.where(segments.owner < 0, features, features - free)
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
