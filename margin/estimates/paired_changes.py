"""Changes of a yield and of a quantile on common random numbers: intervals, p-values, ranks.

Everything is pooled over all units; what scatters is measured between clusters, equal groups of units that are
independent of each other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc, betaincinv, stdtr, stdtrit

Array = NDArray[np.float64]

LEADING_SHARE = 0.95
"""The error of the budget is the one that 95 % of all readings stay below."""


@dataclass(frozen=True)
class Quantile:
    """The LEADING_SHARE quantile of all readings, with the influence of each cluster.

    influence  (cluster,) mean over the readings of a cluster of -(1{x <= q} - p) / f(q), mean taken out
    step       how far one of the effective number of independent readings moves it: p (1 - p) over the variance of the
               probability, as one over that number, over f(q)
    """

    value: float
    influence: Array
    step: float


def leading(values: Array) -> float:
    """LEADING_SHARE quantile, linear between the values beside it (type 7 of Hyndman and Fan, 1996).

    `np.quantile` spends more on its checks than on a few thousand values. Reorders `values`, (reading,).
    """
    place = LEADING_SHARE * (values.size - 1)
    below = int(place)
    above = min(below + 1, values.size - 1)
    values.partition((below, above))
    return float(values[below] + (place - below) * (values[above] - values[below]))


def pooled_quantile(readings: list[Array], clusters: int) -> Quantile:
    """LEADING_SHARE quantile of all readings with the influence of each of so many clusters.

    readings  arrays (reading, unit) of sizes of the error; units of a cluster stand side by side

    The density is that of the pooled readings over one standard error of the probability to either side, the
    error being measured between clusters (Woodruff, 'Confidence intervals for medians and other position
    measures', JASA 47, 1952); the influence function is that of Hampel, JASA 69, 1974.
    """
    units = readings[0].shape[1]
    values = np.concatenate([each.ravel() for each in readings])
    last = values.size - 1
    # no cluster is more than wholly beyond: that bounds the standard error, and so what has to be sorted
    widest = np.sqrt(LEADING_SHARE * (1.0 - LEADING_SHARE) / (clusters - 1.0))
    first = max(int((LEADING_SHARE - widest) * last) - 1, 0)
    values.partition(first)
    tail = np.sort(values[first:])

    def at(share: float) -> float:
        place = share * last - first
        below = min(int(place), tail.size - 1)
        above = min(below + 1, tail.size - 1)
        return float(tail[below] + (place - below) * (tail[above] - tail[below]))

    value = at(LEADING_SHARE)
    beyond = np.zeros(units)
    for each in readings:
        beyond += np.add.reduce((each > value).view(np.uint8), axis=0, dtype=np.uint32)
    share = beyond.reshape(clusters, -1).sum(axis=1) * (clusters / values.size)
    share -= share.mean()
    # all clusters alike: the step of one reading remains
    error = max(float(np.sqrt(share @ share / (clusters * (clusters - 1.0)))), 1.0 / values.size)
    low, high = max(LEADING_SHARE - error, first / last), min(LEADING_SHARE + error, 1.0)
    slope = (at(high) - at(low)) / (high - low)
    return Quantile(value, share * slope, slope * error**2 / (LEADING_SHARE * (1.0 - LEADING_SHARE)))


def step_of(one: Array | float, two: Array | float) -> Array:
    """Standard error by one effective reading of a difference of two quantiles with such steps.

    Where two cases have the same readings beyond their quantiles the influences are alike, though a reading that
    passes could have been drawn. One such is allowed for, as a share of none gets an interval too.
    """
    return np.asarray(np.sqrt(0.5 * (np.square(one) + np.square(two))))


def change_of_quantile(before: Quantile, after: Quantile) -> tuple[float, float]:
    """Standard error of a change of a quantile, and the degrees of freedom of its square.

    A few clusters that rule the variance tell it badly: with the kurtosis k of the clusters the variance of s^2 is
    sigma^4 (2 / (n - 1) + (k - 3) / n), that of a chi-squared variable with the degrees of freedom returned (Box,
    'Non-normality and tests on variances', Biometrika 40, 1953); at most n - 1.
    """
    step = float(step_of(before.step, after.step))
    n = before.influence.size
    squares = np.square(after.influence - before.influence)
    variance = float(squares.mean())
    if variance == 0.0:
        return step, n - 1.0
    kurtosis = float(squares @ squares) / n / variance**2
    noise = 2.0 / (n - 1.0) + max(kurtosis - 3.0, 0.0) / n
    return max(float(np.sqrt(variance / (n - 1.0))), step), max(2.0 / noise, 2.0)


@dataclass(frozen=True)
class Gains:
    """Units that a change brings within their limits, and those it brings out of them.

    gain, loss  shares of all units
    trials      effective number of independent units behind them; that of clusters where nothing changed
    """

    gain: float
    loss: float
    trials: float

    @classmethod
    def of(cls, change: Array, clusters: int, most: float) -> Gains:
        """Gains of a change of each unit, (unit,), from -1 to 1; effective trials at most `most`.

        Trials are those with which the variance of the change, that of a difference of two shares of one sample, is
        the one between clusters; reduced by the ratio of Student's t at 95 % for units and for clusters, as in Korn and
        Graubard (see `intervals.effective_trials`).
        """
        gain, loss = float(np.maximum(change, 0.0).mean()), float(np.maximum(-change, 0.0).mean())
        if gain == loss == 0.0:
            return cls(0.0, 0.0, float(clusters))
        mean = change.reshape(clusters, -1).mean(axis=1)
        variance = float(mean.var(ddof=1)) / clusters
        if variance == 0.0:
            return cls(gain, loss, most)
        ratio = float(stdtrit(most - 1.0, 0.975) / stdtrit(clusters - 1.0, 0.975))
        trials = (gain + loss - (gain - loss) ** 2) / variance * ratio**2
        return cls(gain, loss, min(trials, most))


NO_GAINS = Gains(0.0, 0.0, np.inf)
"""No change for certain, not by chance."""


def yield_ends(gain: Array, loss: Array, trials: Array, confidence: float) -> tuple[Array, Array]:
    """Ends of the intervals of gain - loss; all arrays of one shape, NaN where gains are.

    Each share has the interval of Jeffreys (Brown, Cai and DasGupta, Statistical Science 16, 2001), and their
    distances from the shares add up as squares (Newcombe, Statistics in Medicine 17, 1998, for paired shares; Zou
    and Donner, 27, 2008). Where no unit changed, to either side the Clopper-Pearson end of 0 of the clusters; no
    width where the trials are infinite (`NO_GAINS`).
    """
    tail = 0.5 * (1.0 - confidence)
    certain = np.isinf(trials)
    finite = np.where(certain, 1.0, trials)

    def distances(share: Array) -> tuple[Array, Array]:
        count = share * finite
        rest = np.maximum(finite - count, 0.0)
        low, high = (betaincinv(count + 0.5, rest + 0.5, end) for end in (tail, 1.0 - tail))
        return np.where(count == 0.0, 0.0, share - low), high - share

    (gain_down, gain_up), (loss_down, loss_up) = distances(gain), distances(loss)
    none = (gain == 0.0) & (loss == 0.0)
    end = np.where(certain, 0.0, 1.0 - tail ** (1.0 / finite))
    change = gain - loss
    low = change - np.where(none, end, np.hypot(gain_down, loss_up))
    high = change + np.where(none, end, np.hypot(gain_up, loss_down))
    return np.maximum(low, -1.0), np.minimum(high, 1.0)


def p_of_yield(gain: Array, loss: Array, trials: Array) -> Array:
    """Two-sided p-value of no change: McNemar's exact test on the effective numbers of units that changed."""
    finite = np.where(np.isinf(trials), 1.0, trials)
    more, less = np.maximum(gain, loss) * finite, np.minimum(gain, loss) * finite
    tail = betainc(np.where(more == 0.0, 1.0, more), less + 1.0, 0.5)
    return np.asarray(np.where(more == 0.0, 1.0, np.minimum(2.0 * tail, 1.0)))


def p_of_mean(change: Array, error: Array, freedom: Array) -> Array:
    """Two-sided p-value of no change by Student's t; 1 without a change, 0 for a change without an error."""
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.where(change == 0.0, 0.0, np.abs(change) / error)
    return np.asarray(2.0 * stdtr(freedom, -t))


def holm(p: Array) -> Array:
    """Adjusted p-values of tests along the last axis (Holm, Scandinavian Journal of Statistics 6, 1979).

    The probability of any false alarm among the tests is at most the level that they are compared with.
    """
    order = np.argsort(p, axis=-1)
    steps = np.arange(p.shape[-1], 0, -1)
    scaled = np.maximum.accumulate(np.take_along_axis(p, order, axis=-1) * steps, axis=-1)
    adjusted = np.empty_like(p)
    np.put_along_axis(adjusted, order, np.minimum(scaled, 1.0), axis=-1)
    return adjusted


def ranks(
    values: Array, influence: Array, steps: Array, resolution: float, confidence: float
) -> NDArray[np.int64]:
    """Ranks of causes, the lowest value first: one more than the causes that are better beyond doubt.

    values      (cause,) change of the quantile; NaN is behind none and before none
    influence   (cause, cluster) of the quantile of each changed case
    steps       (cause,) of the quantile of each changed case, see `Quantile`
    resolution  difference of values below which two are alike

    The difference of two causes has the standard error of their paired influences. For each cause the comparisons
    with all others are adjusted by Holm, so that the cause which leads is put behind any other with at most half
    of 1 - confidence.
    """
    clusters = influence.shape[1]
    # not by a library of linear algebra, which adds in an order that follows from its threads
    products = np.einsum("ic,jc->ij", influence, influence) / (clusters * (clusters - 1.0))
    own = np.diag(products)
    error = np.sqrt(np.maximum(own[:, None] + own[None, :] - 2.0 * products, 0.0))
    error = np.maximum(error, step_of(steps[:, None], steps[None, :]))
    behind = values[:, None] - values[None, :]
    p = 0.5 * p_of_mean(behind, error, np.full_like(error, clusters - 1.0))
    p[~(behind > resolution)] = 1.0
    return np.asarray(1 + np.count_nonzero(holm(p) < 0.5 * (1.0 - confidence), axis=1))
