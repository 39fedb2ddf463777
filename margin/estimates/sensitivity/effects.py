"""Main and total effects (Sobol indices of first and total order) from the sums of a redrawn study.

Main effect: Var E[y | x_g] / Var y, the correlation of B and AB_g, which share the inputs of g alone. Total effect:
E Var[y | all but x_g] / Var y, 1 less the correlation of A and AB_g, which share all others. A correlation takes mean
and variance from both sides, as Janon, Klein, Lagnoux, Nodet and Prieur 2014 (ESAIM: Probability and Statistics 18,
342-364) do; the mean squared difference of A and AB_g is Jansen's 1999 (Computer Physics Communications 117, 35-43),
here over a variance between that of A and B (weak effects) and that of A and AB_g (strong ones). The correlation of A
and B, which is zero in truth, is a control variate: it takes out the error that the sample of A and B has in common
with both. Its coefficients, (1 - T)(1 - S^2) and S (1 - (1 - T)^2), are those of least variance for normal outputs
(asymptotic covariance of sample correlations: Pearson and Filon 1898, Philosophical Transactions of the Royal Society
A 191, 229-311); any others are right too, but less precise. Weak effects are then as precise as with Saltelli 2010,
strong ones as with Janon 2014 (measured: tests/benchmarks/shares_coverage.md).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv

from margin.estimates.sensitivity.constant_outputs import ROUND_OFF
from margin.estimates.sensitivity.interval import Interval, clipped, half_width, jackknife
from margin.estimates.sensitivity.redraw_sums import RedrawSums

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

FEW = 30
"""Units of either kind below which the effects on a yes-or-no output take exact intervals of a count."""

RULING = 0.25
"""Share of the sum of squares above which one unit sets the variance of an output, so that its effects are void."""


@dataclass(frozen=True)
class Effects:
    """Effects of d groups on k outputs, from the units of r replicates. Interval ends lie within [0, 1].

    groups, outputs       names
    units                 independent units in each matrix
    mean, variance        (k,) of each output
    main, total           (d, k)
    cured                 (d, k) of what fails, the share that does not with the group drawn again:
                          E|A - AB_g| / (2 E A); NaN where an output is no failure
    main_sum, total_sum   (k,) over groups, ends not below zero
    excess                (d, k) total less main, not clipped; all intervals together hold at the level
    second                (d, d, k) effect of two groups together beyond their main effects, upper triangle
    rank                  (d, k) by total effect; groups that their paired difference does not separate share a rank
    reasons               why the effects on an output are undefined (NaN), by place of the output
    inert                 (d, k) no effect beyond round-off in any unit
    trials                (1 + r, d, k) main and total effects of all units, then with each replicate left out
    level                 of every interval
    """

    groups: tuple[str, ...]
    outputs: tuple[str, ...]
    units: int
    mean: Array
    variance: Array
    main: Interval
    total: Interval
    cured: Interval
    main_sum: Interval
    total_sum: Interval
    excess: Interval
    second: Interval | None
    rank: Array
    reasons: dict[int, str]
    inert: Flags
    trials: tuple[Array, Array]
    level: float

    def interval(self, batch: Array) -> Interval:
        """Interval within [0, 1] of what was computed from `trials`, (1 + r, ...)."""
        return clipped(jackknife(batch, self.level))


def _positive(found: Interval) -> Interval:
    return Interval(*(np.maximum(each, 0.0) for each in (found.value, found.low, found.high)))


@dataclass(frozen=True)
class _Batch:
    """Means over units, of all replicates and with each left out; `first`, `square` about the overall mean.

    first, square, from_a, from_b, moved  (1 + r, m, k); pairs (1 + r, d, d, k)
    """

    first: Array
    square: Array
    from_a: Array
    from_b: Array
    moved: Array
    pairs: Array | None

    @classmethod
    def of(cls, sums: RedrawSums, centre: Array) -> _Batch:
        replicates = len(sums.count)
        weights = np.concatenate([np.ones((1, replicates)), 1.0 - np.eye(replicates)])
        weights /= (weights @ sums.count)[:, np.newaxis]
        count = sums.count[:, np.newaxis, np.newaxis]
        offset = sums.mean - centre
        parts = (count * offset, sums.square + count * offset**2, sums.from_a, sums.from_b, sums.moved)
        pairs = None if sums.pairs is None else np.tensordot(weights, sums.pairs, axes=1)
        first, square, from_a, from_b, moved = (np.tensordot(weights, part, axes=1) for part in parts)
        return cls(first, square, from_a, from_b, moved, pairs)

    def variance(self, one: int, other: int | slice) -> Array:
        """Variance of two matrices together."""
        this = slice(one, one + 1)
        that = other if isinstance(other, slice) else slice(other, other + 1)
        mean = (self.first[:, this] + self.first[:, that]) / 2.0
        return (self.square[:, this] + self.square[:, that]) / 2.0 - mean**2


def _apart(squared: Array, variance: Array, without: float) -> Array:
    """1 less a correlation, from the mean squared difference; `without` where nothing varies."""
    found = np.full(np.broadcast_shapes(squared.shape, variance.shape), without)
    np.divide(squared, 2.0 * variance, out=found, where=np.broadcast_to(variance > 0.0, found.shape))
    return found


def effects_of(
    sums: RedrawSums,
    groups: tuple[str, ...],
    outputs: tuple[str, ...],
    *,
    failing: tuple[int, ...] = (),
    shares: bool = False,
    level: float = 0.95,
) -> Effects:
    """Effects with intervals at `level`.

    failing  places of the outputs that say whether a unit fails: 1 or 0, or with `shares` the share of its readings
    """
    d, k = len(groups), len(outputs)
    weight = sums.count[:, np.newaxis, np.newaxis]
    centre = (weight * sums.mean[:, :2]).sum(axis=(0, 1)) / (2.0 * sums.units)
    batch = _Batch.of(sums, centre)
    reasons = _reasons(sums, centre, failing, shares)
    varies = np.array([place not in reasons for place in range(k)])
    magnitude = np.maximum(np.abs(sums.low), np.abs(sums.high)).max(axis=0)
    inert = (sums.furthest[2 : 2 + d] <= ROUND_OFF * magnitude) & varies

    exchanged = slice(2, 2 + d)
    whole, shared = batch.variance(0, 1), batch.variance(0, exchanged)
    to_b = 1.0 - _apart(batch.from_a[:, 1:2], whole, 1.0)
    with_a = 1.0 - _apart(batch.from_a[:, exchanged], shared, 0.0)
    with_b = 1.0 - _apart(batch.from_b[:, exchanged], batch.variance(1, exchanged), 1.0)
    rough = np.clip(with_b - with_a * to_b, 0.0, 1.0)
    main = with_b - with_a * (1.0 - rough**2) * to_b
    weak = np.clip(with_a, 0.0, 1.0)
    between = weak * whole + (1.0 - weak) * shared
    total = _apart(batch.from_a[:, exchanged], between, 0.0) + rough * (1.0 - with_a**2) * to_b
    for each in (main, total):
        each[:, inert] = 0.0
        each[:, :, ~varies] = np.nan

    first, last = clipped(jackknife(main, level)), clipped(jackknife(total, level))
    cured = Interval(*(np.full((d, k), np.nan) for _ in range(3)))
    for place in failing:
        if varies[place]:
            _failing(sums, centre, batch, place, (first, last, cured), shares=shares, level=level)
    return Effects(
        groups=groups,
        outputs=outputs,
        units=sums.units,
        mean=centre,
        variance=np.where(varies, whole[0, 0], np.nan),
        main=first,
        total=last,
        cured=cured,
        main_sum=_positive(jackknife(main.sum(axis=1), level)),
        total_sum=_positive(jackknife(total.sum(axis=1), level)),
        # all differences are looked at together (Bonferroni)
        excess=jackknife(total - main, 1.0 - (1.0 - level) / max(d * k, 1)),
        second=_second(batch, whole[:, 0], d, varies, level),
        rank=_ranks(total, level),
        reasons=reasons,
        inert=inert,
        trials=(main, total),
        level=level,
    )


def _reasons(sums: RedrawSums, centre: Array, failing: tuple[int, ...], shares: bool) -> dict[int, str]:
    """Why an output has no effects: it does not vary beyond round-off, or one unit sets its variance."""
    reasons: dict[int, str] = {}
    seen = 2 * sums.units
    low, high = sums.low.min(axis=0), sums.high.max(axis=0)
    still = high - low <= ROUND_OFF * np.maximum(np.abs(low), np.abs(high))
    # of A and B alone: A and what is redrawn of it have a runaway unit in common
    furthest = np.maximum(sums.high[:2] - centre, centre - sums.low[:2]).max(axis=0)
    squares = (
        sums.square[:, :2] + sums.count[:, np.newaxis, np.newaxis] * (sums.mean[:, :2] - centre) ** 2
    ).sum(axis=(0, 1))
    for place in range(centre.size):
        if still[place] or not squares[place] > 0.0:
            value = centre[place]
            if place in failing and value in (0.0, 1.0):
                found = "fails" if not shares else "has a reading beyond the permissible error"
                reasons[place] = f"{'none' if value == 0.0 else 'every one'} of {seen} units {found}"
            else:
                reasons[place] = f"constant {value:.6g} in all of {seen} units"
        elif place not in failing and furthest[place] ** 2 > RULING * squares[place]:
            part = 100.0 * furthest[place] ** 2 / squares[place]
            reasons[place] = f"one of {seen} units makes {part:.3g} % of the variance"
    return reasons


def _failing(
    sums: RedrawSums,
    centre: Array,
    batch: _Batch,
    place: int,
    found: tuple[Interval, Interval, Interval],
    *,
    shares: bool,
    level: float,
) -> None:
    """Fill in the share cured, and exact intervals where few units fail or few change."""
    main, total, cured = found
    groups = main.value.shape[0]
    exchanged = slice(2, 2 + groups)
    both = 2.0 * centre[place] + batch.first[:, 0, place, np.newaxis] + batch.first[:, exchanged, place]
    trial = np.divide(batch.moved[:, exchanged, place], both, out=np.zeros_like(both), where=both > 0.0)
    by_jackknife = clipped(jackknife(trial, level))
    counts = (sums.mean[:, :, place] * sums.count[:, np.newaxis]).sum(axis=0)
    p = centre[place]
    for group in range(groups):
        _set(cured, (group, place), tuple(float(each[group]) for each in _ends(by_jackknife)))
        if shares:
            continue
        for reference, apart, of in ((0, sums.from_a, total), (1, sums.from_b, main)):
            changed = round(float(apart[:, 2 + group, place].sum()))
            failing = round((float(counts[reference] + counts[2 + group]) - changed) / 2.0)
            if of is total:
                _set(cured, (group, place), _lost(changed, failing, level))
            # the rarer of the two outcomes tells most, and the share of the other is known well
            alike, other = (failing, 1.0 - p) if p <= 0.5 else (sums.units - changed - failing, p)
            if min(changed, alike) >= FEW:
                continue
            value, low, high = (min(lost / other, 1.0) for lost in _lost(changed, alike, level))
            _set(
                of,
                (group, place),
                (value, low, high) if of is total else (1.0 - value, 1.0 - high, 1.0 - low),
            )


def _lost(changed: int, alike: int, level: float) -> tuple[float, float, float]:
    """Of the units with an outcome in one matrix the share without it in the other, with an exact interval.

    Of the pairs with the outcome on either side a share q changes, `changed` of `changed + alike` (binomial: Clopper
    and Pearson 1934); it is as frequent on both sides, so that q / (2 - q) of it is lost.
    """
    trials, tail = changed + alike, 0.5 * (1.0 - level)
    if not trials:
        return 0.0, 0.0, 1.0
    low = float(betaincinv(changed, alike + 1.0, tail)) if changed else 0.0
    high = float(betaincinv(changed + 1.0, alike, 1.0 - tail)) if alike else 1.0
    value, low, high = (q / (2.0 - q) for q in (changed / trials, low, high))
    return value, low, high


def _ends(of: Interval) -> tuple[Array, Array, Array]:
    return of.value, of.low, of.high


def _set(of: Interval, place: tuple[int, int], ends: tuple[float, ...]) -> None:
    for array, end in zip(_ends(of), ends, strict=True):
        array[place] = end


def _second(batch: _Batch, variance: Array, groups: int, varies: Flags, level: float) -> Interval | None:
    """Effect of two groups together beyond their main effects: covariance of BA_g and AB_h, less theirs.

    Saltelli 2002 (Computer Physics Communications 145, 280-297), the mean of both exchanges: with a group that has no
    effect every term cancels in each unit.
    """
    if batch.pairs is None:
        return None
    ab, ba = slice(2, 2 + groups), slice(2 + groups, 2 + 2 * groups)

    def covariance(one: Array, other: Array, apart: Array) -> Array:
        """From squares and mean squared difference; means agree in truth and are known apart."""
        return (one + other - apart) / 2.0

    square = batch.square
    product = covariance(square[:, 0], square[:, 1], batch.from_a[:, 1])
    alone = (
        0.5
        * (
            covariance(square[:, 1:2], square[:, ab], batch.from_b[:, ab])
            + covariance(square[:, 0:1], square[:, ba], batch.from_a[:, ba])
        )
        - product[:, np.newaxis]
    )
    closed = covariance(square[:, ba, np.newaxis], square[:, np.newaxis, ab], batch.pairs)
    closed = 0.5 * (closed + closed.swapaxes(1, 2)) - product[:, np.newaxis, np.newaxis]
    found = closed - alone[:, :, np.newaxis] - alone[:, np.newaxis]
    share = np.full(found.shape, np.nan)
    scale = np.broadcast_to(variance[:, np.newaxis, np.newaxis], found.shape)
    np.divide(found, scale, out=share, where=(scale > 0.0) & varies)
    below = np.tril(np.ones((groups, groups), dtype=bool))
    share[:, below] = np.nan
    return clipped(jackknife(share, level))


def _ranks(total: Array, level: float) -> Array:
    """Rank of each group by total effect, (d, k)."""
    groups, outputs = total.shape[1:]
    ranks = np.full((groups, outputs), np.nan)
    for output in range(outputs):
        values = total[:, :, output]
        if np.isnan(values[0]).any():
            continue
        order = np.argsort(-values[0], kind="stable")
        leader = order[0]
        for place, group in enumerate(order):
            difference = values[:, leader] - values[:, group]
            if difference[0] > half_width(difference, level):
                leader = group
                ranks[group, output] = place + 1
            else:
                ranks[group, output] = ranks[leader, output] if place else 1
    return ranks
