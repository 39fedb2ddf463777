"""How likely the features of a prototype are under each cause: from engine draws over the sizes that it may have."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.cluster.vq import kmeans2
from scipy.interpolate import PchipInterpolator
from scipy.special import gammaln, ndtr, ndtri
from scipy.stats import f as f_distribution

from margin.case.types import Case
from margin.diagnosis.catalogue import Cause, causes_of
from margin.diagnosis.observation import Plan
from margin.diagnosis.scores import Scores, scores_of
from margin.diagnosis.situation import Situation, as_designed
from margin.diagnosis.taken import features_drawn
from margin.propagation.threads import default_workers, in_threads

Array = NDArray[np.float64]

LEAST_SHIFT = 1.5
"""Shift of the features, in their own noise, below which a cause does nothing that these data could show."""

LEAST_VARIANCE = 0.01
"""Variance that is added to each score: draws are few, codes are whole."""

AT_ONCE = 128
"""Prototypes that are held against all segments at once: bounds the memory."""

MOST_FREEDOM = 200.0
"""Degrees of freedom from which a t distribution counts as normal."""

FINER = 2
"""Pieces between two sizes that were drawn."""

GROUPS = 5
"""Most groups of units by what a cause does to them."""

LEAST_GROUP = 0.05
"""Smallest share of the units that is a group."""

UNEVEN = 0.3
"""Standard deviation of the compressed changes that a cause makes, from which groups are told apart."""

SMALLEST_OF_RANGE = 1e-3
"""The search for the least size that shows begins at this share of the low end of the range."""

SEED = 20_240


@dataclass(frozen=True)
class Drawn:
    """Scores of the features of drawn prototypes with one size of one cause.

    mean            (feature,) over all
    groups, within  means of the groups of units that the cause treats alike, (group, feature), and covariance within
                    each, (group, feature, feature)
    freedom         degrees of freedom of the multivariate t distribution within the groups
    """

    size: float
    mean: Array
    groups: Array
    within: Array
    freedom: float


@dataclass(frozen=True)
class Path:
    """One sign of a cause from the least size that shows to the largest; shares: (group,) of the units."""

    drawn: tuple[Drawn, ...]
    shares: Array


@dataclass(frozen=True)
class Segments:
    """Every cause as straight pieces between the sizes that were drawn; the unchanged prototype as a piece of length 0.

    owner      (segment,) index of the cause; -1 for the unchanged prototype
    low, high  (segment,) sizes; start, along: (segment, feature) features at `low`, and from there to `high`
    root       (segment, feature, feature) inverse Cholesky factor of the covariance; log_det of that covariance
    prior      (segment,) probability within its cause
    freedom    (segment,) degrees of freedom of the multivariate t distribution of the scores
    """

    owner: NDArray[np.int64]
    low: Array
    high: Array
    start: Array
    along: Array
    root: Array
    log_det: Array
    prior: Array
    freedom: Array

    def only(self, which: NDArray[np.intp]) -> Segments:
        """Some of them."""
        return Segments(
            self.owner[which], self.low[which], self.high[which], self.start[which], self.along[which],
            self.root[which], self.log_det[which], self.prior[which], self.freedom[which],
        )  # fmt: skip

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

    log_evidence  (..., segment) logarithm of prior times likelihood, integrated along the segment
    distance      (..., segment) least squared distance from the segment, in its noise
    place, width  (..., segment) place 0 to 1 of that distance and width of the likelihood there
    """

    log_evidence: Array
    distance: Array
    place: Array
    width: Array


def drawn_of(
    size: float,
    scores: Array,
    labels: NDArray[np.intp],
    noise: Array | None = None,
    change: Array | None = None,
) -> Drawn:
    """Groups of scores (unit, feature) by their labels.

    noise, change  covariance of the unchanged units, and by how much these have changed: a small group is held to them
    """
    groups, within, rest = [], [], []
    for label in range(int(labels.max()) + 1):
        own = scores[labels == label]
        groups.append(own.mean(axis=0))
        covariance = np.atleast_2d(np.cov(own, rowvar=False))
        if noise is not None and change is not None and labels.max() > 0:
            weight = 2.0 * scores.shape[1]
            held = noise + np.cov(change[labels == label], rowvar=False)
            covariance = (len(own) * covariance + weight * held) / (len(own) + weight)
        within.append(covariance)
        rest.append(own - groups[-1])
    return Drawn(size, scores.mean(axis=0), np.array(groups), np.array(within), freedom_of(rest, within))


def groups_of(changes: Array) -> NDArray[np.intp]:
    """Labels (unit,) of units that a cause treats alike, from its changes over its sizes, (size, unit, feature).

    Changes are in the noise of the unchanged units, and compressed, as small sizes count as large ones do; k means,
    begun at quantiles along the direction of most variation.
    """
    compressed = np.arcsinh(changes)
    rows = compressed.transpose(1, 0, 2).reshape(changes.shape[1], -1)
    alone = np.zeros(len(rows), dtype=np.intp)
    if float(np.max(np.std(compressed, axis=1))) < UNEVEN:
        return alone
    rows = rows - rows.mean(axis=0)
    along = rows @ np.linalg.eigh(rows.T @ rows)[1][:, -1]
    order = np.argsort(along, kind="stable")
    for count in range(GROUPS, 1, -1):
        begin = np.array([rows[which].mean(axis=0) for which in np.array_split(order, count)])
        with warnings.catch_warnings():
            # an empty group is too small a group
            warnings.simplefilter("ignore")
            _, labels = kmeans2(rows, begin, minit="matrix")
        if np.bincount(labels, minlength=count).min() >= LEAST_GROUP * len(rows):
            return np.asarray(labels, dtype=np.intp)
    return alone


def shift(mean: Array, unchanged: Drawn) -> float:
    """Distance of a mean from the unchanged one, in the noise of that; as far as a single feature shows it."""
    noise = np.sqrt(np.diag(unchanged.within[0])) + 1e-9
    return float(np.max(np.abs(mean - unchanged.mean) / noise))


@dataclass(frozen=True)
class Paths:
    """What every cause predicts for a plan, over its sizes.

    scores  scale of each feature
    sizes   by cause: its path, for each sign
    """

    case: Case
    plan: Plan
    causes: tuple[Cause, ...]
    scores: Scores
    unchanged: Drawn
    sizes: tuple[tuple[Path, ...], ...]
    segments: Segments

    def drawn(self, situation: Situation, units: int, seed: int) -> Array:
        """Scores of drawn prototypes, (unit, feature)."""
        return self.scores.of(features_drawn(situation, self.plan, units, seed))


def paths_of(
    case: Case,
    plan: Plan,
    causes: Sequence[Cause] | None = None,
    *,
    units: int = 1000,
    sizes: int = 12,
    seed: int = SEED,
) -> Paths:
    """Draw prototypes with every cause at every size.

    causes  default: those of the catalogue and of one's own that suit the case
    units   prototypes drawn for each size; all sizes share their draws; three times as many of the unchanged
    sizes   drawn for each sign of a cause, from the least that shows in these data

    Unit-to-unit and lot-to-lot spread, mounting, placements, station and knowledge of the spreads are drawn by the
    engine and so integrated out.
    """
    found = causes_of(case) if causes is None else tuple(causes)
    base = as_designed(case)
    features = features_drawn(base, plan, 3 * units, seed)
    scores = scores_of(features)
    before = scores.of(features)
    unchanged = drawn_of(0.0, before, np.zeros(len(before), dtype=np.intp))

    def at(cause: Cause, size: float, count: int) -> Array:
        return scores.of(features_drawn(cause.apply(base, size), plan, count, seed))

    wanted = [(cause, sign) for cause in found for sign in ((-1.0, 1.0) if cause.signed else (1.0,))]

    def path(one: tuple[Cause, float]) -> Path:
        return _along(at, *one, before[:units], unchanged, sizes)

    made = list(in_threads(path, wanted, default_workers()))
    drawn = tuple(
        tuple(own for (of, _), own in zip(wanted, made, strict=True) if of is cause) for cause in found
    )
    segments = segments_of(unchanged, drawn, LEAST_VARIANCE)
    return Paths(case, plan, found, scores, unchanged, drawn, segments)


def _along(
    at: Callable[[Cause, float, int], Array],
    cause: Cause,
    sign: float,
    before: Array,
    unchanged: Drawn,
    sizes: int,
) -> Path:
    """Draws of one sign of a cause from the least size that shows to the largest."""
    units = len(before)
    few = min(units, 200)
    low, high = math.log(SMALLEST_OF_RANGE * cause.low), math.log(cause.high)
    for _ in range(7):
        middle = 0.5 * (low + high)
        if shift(at(cause, sign * math.exp(middle), few).mean(axis=0), unchanged) < LEAST_SHIFT:
            low = middle
        else:
            high = middle
    # a cause that hardly shows at its largest is kept over its stated range: the data cannot tell it from nothing
    least = min(math.exp(high), 0.5 * cause.high)
    wanted = [float(sign * size) for size in np.geomspace(least, cause.high, sizes)]
    scores = np.array([at(cause, size, units) for size in wanted])
    noise = unchanged.within[0] + LEAST_VARIANCE * np.eye(before.shape[1])
    labels = groups_of((scores - before) / np.sqrt(np.diag(noise)))
    drawn = tuple(
        drawn_of(size, own, labels, noise, own - before) for size, own in zip(wanted, scores, strict=True)
    )
    return Path(drawn, np.bincount(labels) / units)


def freedom_of(residuals: Sequence[Array], covariances: Sequence[Array]) -> float:
    """Degrees of freedom of a multivariate t distribution with the fourth moment of these residuals (unit, feature).

    E d^4 / (E d^2)^2 = (1 + 2/p) (nu - 2) / (nu - 4) for p features: Mardia's kurtosis of the t distribution
    (from memory). Between 6 and MOST_FREEDOM.
    """
    squared = []
    for rest, covariance in zip(residuals, covariances, strict=True):
        root = np.linalg.inv(np.linalg.cholesky(covariance + LEAST_VARIANCE * np.eye(covariance.shape[0])))
        squared.append(np.sum((rest @ root.T) ** 2, axis=1))
    distance = np.concatenate(squared)
    features = residuals[0].shape[1]
    ratio = float(np.mean(distance**2) / np.mean(distance) ** 2) / (1.0 + 2.0 / features)
    return float(np.clip((4.0 * ratio - 2.0) / max(ratio - 1.0, 1e-6), 6.0, MOST_FREEDOM))


def segments_of(unchanged: Drawn, paths: Sequence[Sequence[Path]], added: float) -> Segments:
    """Segments between the drawn sizes, the unchanged prototype first; prior uniform in the logarithm of the size.

    added  variance added to each score
    """
    floor = added * np.eye(unchanged.mean.size)
    owner, ends, means, covariances, prior = [-1], [(0.0, 0.0)], [(unchanged.mean, unchanged.mean)], [], [1.0]
    covariances.append(unchanged.within[0] + floor)
    freedom = [unchanged.freedom]
    for index, signs in enumerate(paths):
        for path in signs:
            sizes = np.array([each.size for each in path.drawn])
            logs = np.log(np.abs(sizes))
            fine = _between(logs, logs)
            length = np.diff(fine) / (fine[-1] - fine[0]) / len(signs)
            size = np.copysign(np.exp(fine), sizes[0])
            for group, share in enumerate(path.shares):
                ways = _between(logs, np.array([each.groups[group] for each in path.drawn]))
                spread = _linear(np.array([each.within[group] for each in path.drawn]))
                bent = _departures(ways, size)
                for k, off in enumerate(bent):
                    owner.append(index)
                    ends.append((size[k], size[k + 1]))
                    means.append((ways[k], ways[k + 1]))
                    covariances.append(
                        0.5 * (spread[k] + spread[k + 1])
                        + np.outer(off, off)
                        + np.diag(0.5 * off * off)
                        + floor
                    )
                    prior.append(float(length[k] * share))
                    freedom.append(min(each.freedom for each in path.drawn[k // FINER : k // FINER + 2]))
    factors = np.linalg.cholesky(np.array(covariances))
    start, stop = np.array([m[0] for m in means]), np.array([m[1] for m in means])
    low, high = np.array(ends).T
    return Segments(
        np.array(owner), low, high, start, stop - start, np.asarray(np.linalg.inv(factors), dtype=np.float64),
        2.0 * np.sum(np.log(np.diagonal(factors, axis1=1, axis2=2)), axis=1), np.array(prior), np.array(freedom),
    )  # fmt: skip


def _between(places: Array, values: Array) -> Array:
    """Values at the places and FINER - 1 times between any two of them, by monotone cubic interpolation."""
    if len(places) < 3:
        return values
    wanted = np.interp(np.arange(FINER * (len(places) - 1) + 1) / FINER, np.arange(len(places)), places)
    found: Array = PchipInterpolator(places, values, axis=0)(wanted)
    return found


def _linear(values: Array) -> Array:
    """The same by straight lines, which leave covariances positive definite."""
    if len(values) < 3:
        return values
    at = np.arange(FINER * (len(values) - 1) + 1) / FINER
    below = np.minimum(at.astype(int), len(values) - 2)
    share = (at - below)[:, None, None]
    return np.asarray((1.0 - share) * values[below] + share * values[below + 1])


def _departures(mean: Array, size: Array) -> Array:
    """How far the mean may depart from the straight line inside each piece of a path, (piece, feature).

    An eighth of the second difference of the means, the larger of those at both ends: the middle of a parabola.
    """
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


def inflated(segments: Segments, factor: Array) -> Segments:
    """The same with covariances `factor` (segment,) times as large."""
    features = segments.start.shape[1]
    return replace(
        segments,
        root=segments.root / np.sqrt(factor)[:, None, None],
        log_det=segments.log_det + features * np.log(factor),
    )


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
