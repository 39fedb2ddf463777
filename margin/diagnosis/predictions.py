"""Predictions of every cause, tried on drawn prototypes: how sharp they may be, and when nothing is unusual."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

from margin.case.types import Case
from margin.diagnosis.alike import classes_of_causes
from margin.diagnosis.catalogue import Cause
from margin.diagnosis.drawn_groups import shift
from margin.diagnosis.likelihood import AT_ONCE, Fit, Projected, fit_of, project, tail
from margin.diagnosis.occasions import kept_units
from margin.diagnosis.paths import SEED, Paths, paths_of
from margin.diagnosis.plan import Plan
from margin.diagnosis.segments import Segments, inflated
from margin.diagnosis.situation import as_designed

Array = NDArray[np.float64]

KEPT = 0.94
"""Share of unchanged prototypes in which 'nothing unusual' is to lead."""

FACTORS = (1.0, 1.15, 1.3, 1.5, 1.75, 2.0, 2.5, 3.0, 4.0)
"""Factors of the covariances among which the most likely one is taken."""

TRIAL_SIZES, TRIAL_UNITS, TRIAL_UNCHANGED = 4, 8, 4000
"""Sizes of each sign of a cause at which prototypes are tried, prototypes at each, and unchanged ones."""

TRIAL_SEED = 1_000_003
"""Added to the seed of the predictions for the prototypes on which these are tried."""

PRIOR_UNKNOWN = 0.02
"""Prior probability of a cause that the catalogue does not have (common practice, no source)."""

STEEPNESS = 0.1
"""Exponent a of the density a p^(a - 1) of the tail probability p where no cause of the catalogue is true: Sellke,
Bayarri and Berger, The American Statistician 55, 62 (2001), beta densities of p values (from memory)."""

FEWEST = 1e-300


@dataclass(frozen=True)
class Predicted(Paths):
    """What every cause predicts for a plan, and how far that is to be believed.

    factors        (1 + cause,) of the covariances, with which drawn prototypes, unchanged and of each cause, are most
                   likely under their own cause; segments are of covariances so many times as large
    exponents      (1 + cause,) of tail probabilities, 1 at most: with it those of their own trials are as even as those
                   of a true hypothesis, whatever the shape of its distribution
    prior_nothing  prior probability that nothing is unusual, with which that leads in the share KEPT of unchanged
                   prototypes; the causes share the rest alike
    tails          tail probabilities of drawn prototypes, ascending, with their share below: (trial,), (trial,)
    """

    factors: Array
    exponents: Array
    prior_nothing: float
    tails: tuple[Array, Array]

    def names(self) -> tuple[str, ...]:
        """Names of the causes, in order."""
        return tuple(cause.name for cause in self.causes)


@dataclass(frozen=True)
class Posterior:
    """Probabilities of the causes (..., cause), of nothing, of none of the catalogue, and the tail probability."""

    causes: Array
    nothing: Array
    unknown: Array
    tail: Array


def predict(
    case: Case,
    plan: Plan,
    *,
    causes: Sequence[Cause] | None = None,
    units: int = 1000,
    sizes: int = 12,
    seed: int = SEED,
) -> Predicted:
    """What a diagnosis compares with: prototypes drawn with every cause at every size, tried on others.

    causes, units, sizes  as for `margin.diagnosis.paths.paths_of`
    """
    paths = paths_of(case, plan, causes, units=units, sizes=sizes, seed=seed)
    shown = visible(paths)
    trials = _trials(paths, shown, seed + TRIAL_SEED)
    at = project(paths.segments, trials.scores)
    factors = _factors(paths.segments, at, trials)
    each = factors[paths.segments.owner + 1]
    segments = inflated(paths.segments, each)
    parts = [
        _evidence(segments, fit_of(paths.segments, at.of(rows), each), shown)
        for rows in np.array_split(np.arange(len(trials.cause)), -(-len(trials.cause) // AT_ONCE))
    ]
    logs, raw = (np.concatenate(columns) for columns in zip(*parts, strict=True))
    unchanged = np.flatnonzero(trials.cause < 0)
    prior = _prior_nothing(
        segments, lambda k: fit_of(paths.segments, at.of(int(unchanged[k])), each), logs[unchanged], shown
    )
    exponents = _exponents(raw, trials)
    p = _weighted_tail(_logs_with(logs, prior, shown), raw**exponents)
    order = np.argsort(p)
    share = np.cumsum(trials.weight[order]) / trials.weight.sum()
    return Predicted(
        case, plan, paths.causes, paths.scores, paths.unchanged, paths.sizes, segments, factors, exponents, prior,
        (p[order], share),
    )  # fmt: skip


def visible(paths: Paths, least: float = 1.0) -> NDArray[np.bool_]:
    """Whether a cause can move any feature by `least` standard deviations at its largest size, (cause,)."""
    shifts = [max(shift(path.drawn[-1].mean, paths.unchanged) for path in signs) for signs in paths.sizes]
    return np.array(shifts) >= least


def posterior(predicted: Predicted, found: Fit) -> Posterior:
    """Probabilities of all hypotheses, from the likelihoods of one or of many prototypes.

    Within the catalogue by Bayes' theorem; none of the catalogue by the tail probability p that the catalogue leaves,
    as its place among those of drawn prototypes: odds prior / (1 - prior) * a p^(a - 1).
    """
    shown = visible(predicted)
    logs, raw = _evidence(predicted.segments, found, shown)
    logs = _logs_with(logs, predicted.prior_nothing, shown)
    p = _placed(_weighted_tail(logs, raw**predicted.exponents), predicted.tails)
    odds = PRIOR_UNKNOWN / (1.0 - PRIOR_UNKNOWN) * STEEPNESS * p ** (STEEPNESS - 1.0)
    unknown = odds / (1.0 + odds)
    weights = _weights(logs) * (1.0 - unknown)[..., None]
    return Posterior(weights[..., 1:], weights[..., 0], unknown, p)


@dataclass(frozen=True)
class _Trials:
    """Drawn prototypes: scores (trial, feature), cause (trial,), -1 for unchanged, and weight (trial,)."""

    scores: Array
    cause: NDArray[np.intp]
    weight: Array


def _trials(paths: Paths, shown: NDArray[np.bool_], seed: int) -> _Trials:
    """Unchanged prototypes, and changed ones at sizes between those of the predictions; half of the weight each."""
    base = as_designed(paths.case)
    cause, weight = [np.full(TRIAL_UNCHANGED, -1)], [np.full(TRIAL_UNCHANGED, 0.5 / TRIAL_UNCHANGED)]
    wanted: list[tuple[int, float, int]] = []
    for place in np.flatnonzero(shown):
        for path in paths.sizes[place]:
            low, high = (math.log(abs(end.size)) for end in (path.drawn[0], path.drawn[-1]))
            for k in range(TRIAL_SIZES):
                size = math.exp(low + (k + 0.5) / TRIAL_SIZES * (high - low))
                wanted.append((int(place), math.copysign(size, path.drawn[0].size), seed + 31 * (k + 1)))
                cause.append(np.full(TRIAL_UNITS, place))
                each = 0.5 / (shown.sum() * len(paths.sizes[place]) * TRIAL_SIZES * TRIAL_UNITS)
                weight.append(np.full(TRIAL_UNITS, each))

    kept = {own_seed: kept_units(paths.case, TRIAL_UNITS, own_seed) for own_seed in {s for *_, s in wanted}}

    def drawn(one: tuple[int, float, int]) -> Array:
        place, size, own_seed = one
        return paths.drawn(paths.causes[place].apply(base, size), TRIAL_UNITS, own_seed, kept[own_seed])

    scores = [paths.drawn(base, TRIAL_UNCHANGED, seed), *map(drawn, wanted)]
    return _Trials(np.concatenate(scores), np.concatenate(cause), np.concatenate(weight))


def _evidence(segments: Segments, found: Fit, shown: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Logarithm of the likelihood of nothing and of each cause, and tail probability at the best segment of each.

    (..., 1 + cause); of causes that do not show, no likelihood.
    """
    shape = (*found.log_evidence.shape[:-1], shown.size + 1)
    logs, tails = np.full(shape, -np.inf), np.zeros(shape)
    for place in range(-1, shown.size):
        if place >= 0 and not shown[place]:
            continue
        which = np.flatnonzero(segments.owner == place)
        own = found.log_evidence[..., which]
        logs[..., place + 1] = np.logaddexp.reduce(own, axis=-1)
        best = np.argmax(own, axis=-1)[..., None]
        distance = np.take_along_axis(found.distance[..., which], best, axis=-1)[..., 0]
        left = segments.start.shape[1] - (place >= 0)
        tails[..., place + 1] = tail(distance, left, segments.freedom[which[best[..., 0]]])
    return logs, tails


def _logs_with(logs: Array, prior_nothing: float, shown: NDArray[np.bool_]) -> Array:
    each = math.log((1.0 - prior_nothing) / max(int(shown.sum()), 1))
    return np.asarray(logs + np.concatenate([[math.log(prior_nothing)], np.full(shown.size, each)]))


def _weights(logs: Array) -> Array:
    raised = np.exp(logs - np.max(logs, axis=-1, keepdims=True))
    return np.asarray(raised / raised.sum(axis=-1, keepdims=True))


def _weighted_tail(logs: Array, tails: Array) -> Array:
    return np.asarray(np.maximum(np.sum(_weights(logs) * tails, axis=-1), FEWEST))


def _placed(p: Array, tails: tuple[Array, Array]) -> Array:
    """Share of drawn prototypes with a smaller tail probability; below the smallest, falling with its square root."""
    values, share = tails
    found = np.interp(np.log(p), np.log(values), share)
    return np.where(p < values[0], share[0] * np.sqrt(p / values[0]), found)


def _factors(segments: Segments, at: Projected, trials: _Trials) -> Array:
    """Factor of the covariances of the unchanged and of each cause that makes their own trials most likely."""
    factors = np.ones(int(segments.owner.max()) + 2)
    for place in range(-1, factors.size - 1):
        rows, own = np.flatnonzero(trials.cause == place), np.flatnonzero(segments.owner == place)
        if rows.size:
            cells = np.ix_(rows, own)
            part = Projected(at.place[cells], at.rest[cells], at.along2[own], at.features)
            alone = segments.only(own)
            best = -math.inf
            for factor in FACTORS:
                likely = _likely(alone, part, factor)
                # it rises to one summit
                if likely <= best:
                    break
                best, factors[place + 1] = likely, factor
    return factors


def _likely(segments: Segments, at: Projected, factor: float) -> float:
    return float(np.sum(np.logaddexp.reduce(fit_of(segments, at, factor).log_evidence, axis=1)))


def _exponents(raw: Array, trials: _Trials) -> Array:
    """Exponents with which tail probabilities (trial, 1 + cause) of own trials have the mean logarithm of even ones."""
    found = np.ones(raw.shape[1])
    for place in range(found.size):
        own = raw[trials.cause == place - 1, place]
        if own.size:
            found[place] = min(1.0, 1.0 / float(np.mean(-np.log(np.maximum(own, FEWEST)))))
    return found


def _prior_nothing(
    segments: Segments, found: Callable[[int], Fit], logs: Array, shown: NDArray[np.bool_]
) -> float:
    """Prior of nothing unusual with which it leads in the share KEPT of unchanged prototypes, against every class.

    found, logs  of these prototypes, by number; logs: (prototype, 1 + cause)
    """
    if not shown.any():
        return 0.5
    # log odds of all causes together against nothing: those of a class are no larger
    most = np.logaddexp.reduce(logs[:, 1:], axis=1) - logs[:, 0]
    # odds above the limit happen in the share 1 - KEPT of all
    count = int(len(logs) * (1.0 - KEPT))
    limit, odds = -math.inf, list[float]()
    for number in np.argsort(-most):
        if most[number] <= limit:
            break
        weights = _weights(logs[number, 1:])
        groups = classes_of_causes(segments, found(int(number)), weights.tolist())
        strongest = max(np.logaddexp.reduce(logs[number, 1:][list(group)]) for group in groups)
        odds.append(float(strongest - logs[number, 0]))
        if len(odds) > count:
            limit = float(np.partition(odds, -count - 1)[-count - 1])
    return float(expit(limit + logit(1.0 / (1.0 + max(int(shown.sum()), 1)))))
