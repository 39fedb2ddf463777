"""Yield over epistemic uncertainty: its 5 % point over outer draws, with an interval that covers, and convergence.

Each outer draw has a yield of its own, counted on finitely many units. Counting adds noise, noise widens the spread
of the yields, and so the 5 % point of the counted yields lies too low. Noise is measured: an outer draw is counted in
equal cells, and what the 5 % point does when half of the cells are left out tells how far it moves when all noise is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import bdtr, ndtri

from margin.estimates.intervals import clopper_pearson
from margin.estimates.yield_result import Estimate

Array = NDArray[np.float64]

END = 0.05
"""The yield is at least the lower bound with all but this probability, over epistemic uncertainty."""

MOST_NOISE = 1.5
"""Variance of counting over that between outer draws from which on no extrapolation is trusted to reach high enough."""

FEW_FAILURES = 4.0
"""Failing units in half an outer draw below which its yield takes few values and an extrapolation cannot be trusted
from above (common practice, no source)."""


def bound_over_draws(cells: Array, units: float, confidence: float) -> Estimate:
    """5 % point of the yield over outer draws, with its interval.

    cells  (draw, cell) conforming shares of the cells of each outer draw, independent and of equal size
    units  in a cell

    The value is the jackknife over the inner size, 2 q(n) - q(n/2): the bias of a quantile of noisy yields is
    proportional to 1/n, and cancels (Gordy and Juneja, 'Nested simulation in portfolio risk measurement',
    Management Science 56, 2010, 4). Its interval is that of order statistics (David and Nagaraja, 'Order Statistics',
    2003, 7.1), widened by what the extrapolation scatters (see `_Quantile`), and never narrower than that: where draws
    tie, all units of a draw alike, the scatter of the extrapolation tells nothing. The lower end errs half as often as
    the upper one, 1.25 % at 95 %: 'conforms' is not to be said in error. It reaches further where noise rules:

    - up to the upper order statistic as counted: noise makes it too low, so no extrapolation may lower it; down to 0
      where the lower one is 0;
    - up to the end of a second extrapolation, linear in 1/n of the squared distance from the mean, which is exact for
      normal yields however large the noise; the first stays too low there;
    - down to the end without extrapolation where units fail so rarely that the yield of a draw takes but few values;
    - up to the end of the mean or median yield there, and where the noise of counting outweighs the scatter below the
      median: skewed counts then leave the second extrapolation too low as well;
    - at least as far as a share counted on the units of the lowest 5 % of the draws (Clopper and Pearson, 1934):
      no interval has zero width;
    - down to 0 where so few outer draws cannot show a 5 % point at all (Wilks, 1941).

    Where an outer draw has one cell alone, too few units for its noise to be measured, nothing is extrapolated: the
    counted point, which noise makes too low, stands for the lower end, and the upper end is that of the mean yield.
    """
    draws, count = cells.shape[0], cells.shape[0] * cells.shape[1] * units
    sure = 1.0 - 0.5 * (1.0 - confidence)
    below, above = _ranks(draws, sure)[0], _ranks(draws, confidence)[1]
    half = cells.shape[1] // 2
    yields, halves = _levels(cells)
    whole = _Quantile.of(yields[0], below, above)
    first, second = (_Quantile.of(part, below, above) for part in halves)
    deviation = float(np.sqrt(END * (1.0 - END) / draws))
    value = float(np.clip(2.0 * whole.value - 0.5 * (first.value + second.value), 0.0, 1.0))

    def width(side: str) -> float:
        """Half width of the linear extrapolation, on one side."""
        parts = (getattr(each, side) * (each.below - END) for each in (whole, first, second))
        a, b, c = parts
        reach = (END - below if side == "down" else above - END) / deviation
        return float(reach * np.std(2.0 * a - 0.5 * (b + c)) / np.sqrt(draws))

    least, most = _order_statistics(yields[0], sure)[0], _order_statistics(yields[0], confidence)[1]
    low = min(value - width("down"), value - (whole.value - least))
    high = max(value + width("up"), value + (most - whole.value), most)
    if least == 0.0:
        low = 0.0
    mean = float(cells.mean())
    high = max(high, _end_of_squares(cells, (whole, first, second), mean, confidence))
    few = (1.0 - value) * units * half < FEW_FAILURES
    if few:
        low = min(low, whole.value - (END - below) * whole.down)
    if few or not half or _noise_rules(cells, whole.value):
        middle = max(mean, float(np.median(cells.mean(axis=1))))
        high = max(high, clopper_pearson(middle * count, count, confidence)[1])
    trials = max(END * count, 1.0)
    low = min(low, clopper_pearson(value * trials, trials, sure)[0])
    high = max(high, clopper_pearson(value * trials, trials, confidence)[1])
    if (1.0 - END) ** draws > 0.5 * (1.0 - sure):
        low = 0.0
    return Estimate(value, max(min(low, value), 0.0), min(max(high, value), 1.0))


@dataclass(frozen=True)
class _Quantile:
    """The 5 % point of counted yields and how it moves.

    below     (draw,) whether the yield of a draw lies below it, a half where it lies on it
    down, up  change of the point over change of its probability, towards the ends of its interval
    """

    value: float
    below: Array
    down: float
    up: float

    @classmethod
    def of(cls, yields: Array, below: float, above: float) -> _Quantile:
        low, value, high = np.quantile(yields, [max(below, 0.0), END, above], method="median_unbiased")
        inside = 0.5 * (yields < value) + 0.5 * (yields <= value)
        down = (value - low) / (END - below)
        return cls(float(value), inside, float(down), float((high - value) / (above - END)))


def _noise_rules(cells: Array, point: float) -> bool:
    """Whether the noise of counting outweighs the scatter of yields between the 5 % point and the median."""
    yields = cells.mean(axis=1)
    median = float(np.median(yields))
    noise = float(cells[yields <= median].var(axis=1, ddof=1).mean()) / cells.shape[1]
    spread = (median - point) / float(ndtri(1.0 - END))
    return bool(noise > MOST_NOISE * max(spread * abs(spread) - noise, 0.0))


def _whole_ranks(draws: int, confidence: float) -> tuple[int, int]:
    """Ranks of the two order statistics that hold the 5 % point, from 1; 0 or draws + 1 where there is none."""
    tail = 0.5 * (1.0 - confidence)
    reached = bdtr(np.arange(draws), draws, END)
    return int(np.count_nonzero(reached <= tail)), int(np.count_nonzero(reached < 1.0 - tail)) + 1


def _order_statistics(yields: Array, confidence: float) -> tuple[float, float]:
    """The two order statistics that hold the 5 % point of counted yields, whatever their distribution; 0 and 1 where
    there are none."""
    low, high = _whole_ranks(yields.size, confidence)
    ordered = np.concatenate([[0.0], np.sort(yields), [1.0]])
    return float(ordered[low]), float(ordered[high])


def _ranks(draws: int, confidence: float) -> tuple[float, float]:
    """Probabilities of the two order statistics that hold the 5 % point."""
    low, high = ((rank - 1.0 / 3.0) / (draws + 1.0 / 3.0) for rank in _whole_ranks(draws, confidence))
    return float(np.clip(low, 0.0, 0.999 * END)), float(np.clip(high, 1.001 * END, 1.0))


def _end_of_squares(
    cells: Array, points: tuple[_Quantile, _Quantile, _Quantile], mean: float, confidence: float
) -> float:
    """Upper end of mean - sqrt(D), D = 2 d(n)^2 - d(n/2)^2 with d the distance of the 5 % point below the mean."""
    whole, *halves = points
    draws, z = cells.shape[0], float(ndtri(0.5 * (1.0 + confidence)))
    of_draw = cells.mean(axis=1) - mean
    d, e = mean - whole.value, mean - 0.5 * (halves[0].value + halves[1].value)
    # a point falls where more yields lie below it
    moved = -whole.up * (whole.below - END), -0.5 * sum(h.up * (h.below - END) for h in halves)
    influence = 4.0 * d * (of_draw - moved[0]) - 2.0 * e * (of_draw - moved[1])
    left = 2.0 * d * abs(d) - e * abs(e) - z * float(np.std(influence)) / np.sqrt(draws)
    return float(mean + z * np.std(of_draw) / np.sqrt(draws) - np.sqrt(max(left, 0.0)))


def points_over_draws(cells: Array) -> tuple[float, float]:
    """5 % and 95 % points of the yield over outer draws, the bias by counting taken out as in `bound_over_draws`."""
    ends = []
    for share in (END, 1.0 - END):
        whole, halves = (
            np.mean([np.quantile(part, share, method="median_unbiased") for part in level])
            for level in _levels(cells)
        )
        ends.append(float(np.clip(2.0 * whole - halves, 0.0, 1.0)))
    return ends[0], ends[1]


def convergence(cells: Array, units: float, confidence: float) -> pd.DataFrame:
    """The 5 % point after ever more of the outer draws: outer, lower_bound, low, high. Arguments as above."""
    draws = cells.shape[0]
    counts = np.unique(np.geomspace(min(20, draws), draws, 7).round().astype(int))
    rows = []
    for count in counts.tolist():
        found = bound_over_draws(cells[:count], units, confidence)
        rows.append({"outer": count, "lower_bound": found.value, "low": found.low, "high": found.high})
    return pd.DataFrame(rows, columns=["outer", "lower_bound", "low", "high"])


def noise_and_scatter(cells: Array) -> tuple[float, float]:
    """Variance of the yield of an outer draw by counting, measured between its cells, and between outer draws."""
    noise = float(cells.var(axis=1, ddof=1).mean()) / cells.shape[1]
    return noise, max(float(cells.mean(axis=1).var(ddof=1)) - noise, 0.0)


def _levels(cells: Array) -> tuple[list[Array], list[Array]]:
    """Yields of outer draws counted on all cells, and on each half of them; a single cell counts as both halves."""
    half = cells.shape[1] // 2
    if not half:
        return [cells[:, 0]], [cells[:, 0], cells[:, 0]]
    return [cells.mean(axis=1)], [cells[:, :half].mean(axis=1), cells[:, half:].mean(axis=1)]
