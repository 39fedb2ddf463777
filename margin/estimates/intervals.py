"""Intervals of shares and of statistics from sections of a run."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv, stdtrit

from margin.estimates.yield_result import Estimate

Array = NDArray[np.float64]


def clopper_pearson(successes: float, trials: float, confidence: float = 0.95) -> tuple[float, float]:
    """Two-sided interval of a share (Clopper and Pearson, 1934); whole numbers, or effective ones.

    Raises ValueError unless 0 <= successes <= trials and trials > 0.
    """
    if not (trials > 0.0 and 0.0 <= successes <= trials):
        raise ValueError(f"successes must lie within 0 and trials (got {successes!r} of {trials!r})")
    tail = 0.5 * (1.0 - confidence)
    failures = trials - successes
    low = 0.0 if successes == 0.0 else float(betaincinv(successes, failures + 1.0, tail))
    high = 1.0 if failures == 0.0 else float(betaincinv(successes + 1.0, failures, 1.0 - tail))
    return low, high


def sample_size_one_sided(share: float, confidence: float) -> int:
    """Units of which none may fail to show that more than `share` conform: 59 for 95 % with 95 % (Wilks, 1941).

    Raises ValueError for shares or confidences outside (0, 1).
    """
    _require_share(share, confidence)
    return math.ceil(math.log1p(-confidence) / math.log(share) - 1e-12)


def sample_size_two_sided(share: float, confidence: float) -> int:
    """Units whose smallest and largest value enclose `share` of the population: 93 for 95 % with 95 % (Wilks)."""
    _require_share(share, confidence)
    n = 2
    while 1.0 - n * share ** (n - 1) + (n - 1) * share**n < confidence:
        n += 1
    return n


def _require_share(share: float, confidence: float) -> None:
    if not (0.0 < share < 1.0 and 0.0 < confidence < 1.0):
        raise ValueError(f"share and confidence must lie inside (0, 1) (got {share!r} and {confidence!r})")


def effective_trials(
    counts: Array, sizes: Array, weights: Array, confidence: float, *, repeated: bool = False
) -> float:
    """Effective number of independent trials behind a share counted in clusters.

    counts, sizes, weights: (kind of cluster,) successes, trials and how many clusters there are of each kind.
    p (1 - p) / variance, the variance taken between clusters, with Student's t for their number: Korn and
    Graubard, 'Confidence intervals for proportions with small expected number of positive counts estimated
    from survey data', 1998. Never more than the number of trials, unless the clusters are independent
    repetitions of better points (`repeated`); that number where p is 0 or 1.
    """
    clusters, trials = float(np.sum(weights)), float(np.sum(weights * sizes))
    p = float(np.sum(weights * counts)) / trials
    if clusters < 2.0 or p in (0.0, 1.0):
        return trials
    residual = counts - p * sizes
    variance = clusters / (clusters - 1.0) * float(np.sum(weights * residual**2)) / trials**2
    if variance <= 0.0:
        return trials
    tail = 0.5 * (1.0 + confidence)
    ratio = float(stdtrit(max(trials - 1.0, 1.0), tail) / stdtrit(clusters - 1.0, tail))
    effective = p * (1.0 - p) / variance * ratio**2
    return effective if repeated else min(effective, trials)


def clustered_share(
    counts: Array, sizes: Array, weights: Array, confidence: float, *, repeated: bool = False
) -> Estimate:
    """Share with a Clopper-Pearson interval on the effective number of trials (Korn and Graubard, 1998).

    Shares near 1 are skewed, and a few clusters may show no bad one at all: the lower end allows for one further
    cluster with half of the share of the worst (by measurement: with 20 to 200 skewed clusters the interval without it
    lies wholly above the true share in up to 10 % of studies, with it in at most 2 %). Independent repetitions of
    better points (`repeated`) hold many units each and need none.
    """
    p = float(np.sum(weights * counts) / np.sum(weights * sizes))
    low, high = _effective_interval(counts, sizes, weights, confidence, repeated)
    seen = weights > 0.0
    size = float(np.sum(weights * sizes) / np.sum(weights))
    # a cluster of one unit is no cluster
    if not repeated and size > 1.0 and float(weights.sum()) >= 2.0 and 0.0 < p < 1.0:
        worst = 0.5 * float(np.min(counts[seen] / sizes[seen])) * size
        further, all_sizes, ones = np.append(counts, worst), np.append(sizes, size), np.append(weights, 1.0)
        low = min(low, _effective_interval(further, all_sizes, ones, confidence, repeated)[0])
    return Estimate(p, min(low, p), max(high, p))


def _effective_interval(
    counts: Array, sizes: Array, weights: Array, confidence: float, repeated: bool
) -> tuple[float, float]:
    p = float(np.sum(weights * counts) / np.sum(weights * sizes))
    n = effective_trials(counts, sizes, weights, confidence, repeated=repeated)
    return clopper_pearson(min(p * n, n), n, confidence)


def section_half_width(values: Array, confidence: float) -> Array:
    """Half width of the interval of a mean of sections: t * s / sqrt(m). values: (section, ...)."""
    m = values.shape[0]
    if m < 2:
        raise ValueError("an interval from sections needs at least two of them")
    t = float(stdtrit(m - 1.0, 0.5 * (1.0 + confidence)))
    return np.asarray(t * values.std(axis=0, ddof=1) / math.sqrt(m))
