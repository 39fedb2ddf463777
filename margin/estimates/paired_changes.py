"""Changes of a yield and of a quantile on common random numbers: intervals, p-values, ranks.

Everything is pooled over all units; what scatters is measured between clusters, equal groups of units that are
independent of each other.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import comb

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc, betaincinv, stdtr, stdtrit

from margin.propagation.histogram import Bins

Array = NDArray[np.float64]
Counts = NDArray[np.int64]

LEADING_SHARE = 0.95
"""The error of the budget is the one that 95 % of all readings stay below."""


@dataclass(frozen=True)
class Beyond:
    """Sums over clusters of the readings beyond a threshold, of several cases on common draws; case 0 is unchanged.

    Whole numbers held as floats below 2^53: exact, whatever the order in which clusters are added.

    clusters  so many, each of `readings` readings
    sums      (case,) readings beyond
    products  (case, case) sums of products over the clusters
    powers    (case, 5, 5) sums of x^i y^j, x of the case and y of case 0; used for i + j <= 4
    """

    clusters: int
    readings: int
    sums: Array
    products: Array
    powers: Array

    @classmethod
    def of(cls, counts: Array, readings: int) -> Beyond:
        """Of clusters of so many readings each; counts (case, cluster)."""
        own = [np.ones_like(counts), counts]
        for _ in range(3):
            own.append(own[-1] * counts)
        powers = np.concatenate(own) @ np.stack([each[0] for each in own]).T
        powers = powers.reshape(5, len(counts), 5).swapaxes(0, 1)
        return cls(counts.shape[1], readings, counts.sum(axis=1), counts @ counts.T, powers)

    def __add__(self, other: Beyond) -> Beyond:
        return Beyond(
            self.clusters + other.clusters,
            self.readings,
            self.sums + other.sums,
            self.products + other.products,
            self.powers + other.powers,
        )

    @property
    def share(self) -> Array:
        """(case,) Share of all readings."""
        return self.sums / (self.clusters * self.readings)

    @property
    def covariance(self) -> Array:
        """(case, case) Covariance of the shares of the cases, by their scatter between clusters."""
        n = self.clusters
        spread = self.products - np.outer(self.sums, self.sums) / n
        return np.asarray(spread / (self.readings**2 * n * (n - 1.0)))

    def change(self, weight: Array, base: float) -> tuple[Array, Array]:
        """Variance (case,) of the mean over clusters of weight x - base y, and its degrees of freedom, y of case 0.

        weight  (case,) of each case's own readings beyond

        A few clusters that rule the variance tell it badly: with the kurtosis k of the clusters the variance of s^2
        is sigma^4 (2 / (n - 1) + (k - 3) / n), that of a chi-squared variable with the degrees of freedom returned
        (Box, 'Non-normality and tests on variances', Biometrika 40, 1953); at most n - 1, at least 2.
        """
        n = float(self.clusters)
        raw = np.zeros((5, len(weight)))
        for order in range(5):
            for i in range(order + 1):
                signed = comb(order, i) * (-base) ** (order - i) * weight**i
                raw[order] += signed * self.powers[:, i, order - i] / n
        mean, second, third, fourth = raw[1], raw[2], raw[3], raw[4]
        variance = np.maximum(second - mean**2, 0.0)
        central = fourth - 4.0 * mean * third + 6.0 * mean**2 * second - 3.0 * mean**4
        # what is left of the rounding of large sums is no scatter
        variance[variance <= 1e-13 * second] = 0.0
        with np.errstate(divide="ignore", invalid="ignore"):
            kurtosis = np.where(variance > 0.0, central / variance**2, 3.0)
        noise = 2.0 / (n - 1.0) + np.maximum(kurtosis - 3.0, 0.0) / n
        return variance / (self.readings**2 * (n - 1.0)), np.maximum(2.0 / noise, 2.0)


@dataclass(frozen=True)
class Quantiles:
    """The LEADING_SHARE quantile of all readings, of several cases; case 0 is unchanged.

    values  (case,)
    slopes  (case,) of the quantile over the probability, by readings beyond a threshold near it
    steps   (case,) how far one of the effective number of independent readings moves it: p (1 - p) over the variance
            of the probability, as one over that number, times the slope
    """

    values: Array
    slopes: Array
    steps: Array
    beyond: Beyond

    def changes(self) -> tuple[Array, Array]:
        """Standard errors (case,) of the changes against case 0, and the degrees of freedom of their squares."""
        variance, freedom = self.beyond.change(self.slopes, float(self.slopes[0]))
        step = step_of(self.steps, self.steps[0])
        still = variance == 0.0
        error = np.maximum(np.sqrt(variance), step)
        return error, np.where(still, self.beyond.clusters - 1.0, freedom)

    def ranks(
        self, cases: NDArray[np.int64], sign: float, resolution: float, confidence: float
    ) -> NDArray[np.int64]:
        """Ranks of some of the cases, the lowest value first: one more than those that are better beyond doubt.

        sign        -1 where the highest value leads
        resolution  difference of values below which two are alike

        The difference of two cases has the standard error of their paired readings beyond. For each case the
        comparisons with all others are adjusted by Holm, so that the one that leads is put behind any other with at
        most half of 1 - confidence. A value that is NaN is behind none and before none.
        """
        values, slopes, steps = sign * self.values[cases], self.slopes[cases], self.steps[cases]
        products = self.beyond.covariance[np.ix_(cases, cases)] * np.outer(slopes, slopes)
        own = np.diag(products)
        error = np.sqrt(np.maximum(own[:, None] + own[None, :] - 2.0 * products, 0.0))
        error = np.maximum(error, step_of(steps[:, None], steps[None, :]))
        behind = values[:, None] - values[None, :]
        p = 0.5 * p_of_mean(behind, error, np.full_like(error, self.beyond.clusters - 1.0))
        p[~(behind > resolution)] = 1.0
        return np.asarray(1 + np.count_nonzero(holm(p) < 0.5 * (1.0 - confidence), axis=1))


def quantiles_of(sizes: Counts, bins: Bins, beyond: Beyond) -> Quantiles:
    """The LEADING_SHARE quantiles of readings counted by size, with what scatters between clusters.

    sizes  (case, bin) readings by |error| (see `outcomes.sizes_of`); a quantile is the one between the values beside it
           (type 7 of Hyndman and Fan, 1996), values lying evenly in their bin

    The slope is that of the pooled readings over one standard error of the probability to either side, the error
    being measured between clusters (Woodruff, 'Confidence intervals for medians and other position measures', JASA 47,
    1952; the influence function is that of Hampel, JASA 69, 1974). The threshold beyond which readings were counted
    need only be near the quantile: the error is taken at the quantile as if readings were beyond either alike.
    """
    p = LEADING_SHARE
    edges = np.maximum(bins.edges()[bins.half :], 0.0)
    share, total = beyond.share, float(sizes[0].sum())
    near = np.where(
        (share > 0.0) & (share < 1.0), p * (1.0 - p) / np.maximum(share * (1.0 - share), 1e-300), 1.0
    )
    # all clusters alike: the step of one reading remains
    error = np.maximum(np.sqrt(near * np.diag(beyond.covariance)), 1.0 / total)
    error = np.minimum(error, np.sqrt(p * (1.0 - p) / (beyond.clusters - 1.0)))
    reached = np.cumsum(sizes, axis=1)
    at = np.stack([np.full_like(error, p), np.maximum(p - error, 0.0), np.minimum(p + error, 1.0)], axis=1)
    values, low, high = np.stack(
        [
            _at(own, cumulated, edges, shares)
            for own, cumulated, shares in zip(sizes, reached, at, strict=True)
        ]
    ).T
    slopes = (high - low) / (at[:, 2] - at[:, 1])
    return Quantiles(values, slopes * np.sqrt(near), slopes * error**2 / (p * (1.0 - p)), beyond)


def quantile_of_sizes(sizes: Counts, bins: Bins) -> float:
    """The LEADING_SHARE quantile of readings counted by size, (bin,)."""
    edges = np.maximum(bins.edges()[bins.half :], 0.0)
    return float(_at(sizes, np.cumsum(sizes), edges, np.array([LEADING_SHARE]))[0])


def _at(sizes: Counts, reached: Counts, edges: Array, shares: Array) -> Array:
    """Quantiles of counted values at some shares; NaN where nothing was counted."""
    if reached[-1] == 0:
        return np.full_like(shares, np.nan)
    place = shares * (reached[-1] - 1)
    below = np.floor(place).astype(np.int64)

    def ordered(number: Counts) -> Array:
        row = np.searchsorted(reached, number, side="right")
        inside = (number - (reached[row] - sizes[row]) + 0.5) / sizes[row]
        # what is zero to the resolution is zero
        return np.where(row == 0, 0.0, edges[row] + inside * (edges[row + 1] - edges[row]))

    first = ordered(below)
    found: Array = first + (place - below) * (ordered(np.minimum(below + 1, reached[-1] - 1)) - first)
    return found


def step_of(one: Array | float, two: Array | float) -> Array:
    """Standard error by one effective reading of a difference of two quantiles with such steps.

    Where two cases have the same readings beyond their quantiles the influences are alike, though a reading that
    passes could have been drawn. One such is allowed for, as a share of none gets an interval too.
    """
    return np.asarray(np.sqrt(0.5 * (np.square(one) + np.square(two))))


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
        """Gains of a change of each unit, (unit,), from -1 to 1, units of a cluster side by side."""
        gain, loss = float(np.maximum(change, 0.0).sum()), float(np.maximum(-change, 0.0).sum())
        squares = float(np.square(change.reshape(clusters, -1).sum(axis=1)).sum())
        return cls.of_sums(gain, loss, squares, change.size, clusters, most)

    @classmethod
    def of_sums(
        cls, gained: float, lost: float, squares: float, units: int, clusters: int, most: float
    ) -> Gains:
        """Gains from sums over all units of what each gains and loses, and over clusters of the square of their sum.

        most  effective trials at most. They are those with which the variance of the change, that of a difference of
              two shares of one sample, is the one between clusters; reduced by the ratio of Student's t at 95 % for
              units and for clusters, as in Korn and Graubard (see `intervals.effective_trials`).
        """
        gain, loss = gained / units, lost / units
        if gain == loss == 0.0:
            return cls(0.0, 0.0, float(clusters))
        spread = squares - (gained - lost) ** 2 / clusters
        variance = spread / (clusters - 1.0) / clusters * (clusters / units) ** 2
        if variance <= 1e-15 * squares:
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
