"""Three yields, never confused: of readings, of units by their share of readings, of units everywhere."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import betaincinv

from margin.estimates.intervals import clopper_pearson, clustered_share, effective_trials
from margin.estimates.outer_draws import bound_over_draws, convergence, points_over_draws
from margin.estimates.yield_result import Estimate, Yield
from margin.propagation.run_result import RunResult
from margin.propagation.tally import RATIO_BINS, Frame, Tally

Array = NDArray[np.float64]

COUNTS = ("readings", "units by share of readings", "units at every check point")
"""What can be counted, in the order of the columns of `Tally.within`."""


def yields_of(frame: Frame, tally: Tally, confidence: float) -> dict[str, Yield]:
    """The three yields of one option, by what counts."""
    return {name: yield_of(frame, tally, name, confidence) for name in COUNTS}


def yield_of(frame: Frame, tally: Tally, counts: str, confidence: float) -> Yield:
    """The yield of one option by what counts, with its lower bound under epistemic uncertainty."""
    column = COUNTS.index(counts)
    lots = _lots(frame, tally, column)
    if frame.outer > 1:
        cells = cells_of(frame, tally, counts)
        known_low = bound_over_draws(cells, float(frame.grouping.units_per_cell), confidence)
        sampled = _in_groups(frame, tally, column, confidence)
        low = Yield(sampled, None, lots, known_low).lower_bound
        high = max(points_over_draws(cells)[1], known_low.value)
        return Yield(sampled, (low, high), lots, known_low)
    interval = _in_groups if frame.repeated else _one_draw
    sure = interval(frame, tally, column, 1.0 - 0.5 * (1.0 - confidence))
    return Yield(interval(frame, tally, column, confidence), None, lots, sure_low=sure.low)


def cells_of(frame: Frame, tally: Tally, counts: str) -> Array:
    """Conforming shares of the cells of each outer draw, (draw, cell)."""
    column = COUNTS.index(counts)
    trials = frame.grouping.units_per_cell * (frame.readings if column == 0 else 1)
    return np.asarray(tally.within[:, column].reshape(frame.outer, -1) / trials)


def groups_of(frame: Frame, tally: Tally, column: int) -> tuple[Array, Array]:
    """Conforming units (of readings: their mean share) and units of groups that are independent of one another:
    outer draws, or sections where there is one draw only."""
    counts = tally.within[:, column] / (frame.readings if column == 0 else 1)
    if frame.outer == 1:
        sizes = tally.largest.sum(axis=1).astype(np.float64)
    else:
        counts = counts.reshape(frame.outer, -1).sum(axis=1)
        sizes = np.full(frame.outer, float(frame.grouping.units_per_draw))
    filled = sizes > 0.0
    return np.asarray(counts[filled]), sizes[filled]


def decisive_shares(drawn: RunResult, option: str) -> Array:
    """Decisive yield of each group of a run (see `groups_of`): with the same draws, differences are paired."""
    counted = COUNTS.index(drawn.model.case.requirement.counts)
    counts, sizes = groups_of(drawn.plan.frame, drawn.tallies[option], counted)
    return np.asarray(counts / sizes)


def effective_units(frame: Frame, tally: Tally, column: int, confidence: float) -> float:
    """Units, drawn at random and independent of one another, that would tell the yield as well as the study does."""
    counts, sizes = groups_of(frame, tally, column)
    return effective_trials(counts, sizes, np.ones(sizes.size), confidence, repeated=frame.repeated)


def convergence_of(frame: Frame, tally: Tally, counts: str, confidence: float) -> pd.DataFrame:
    """The lower bound over ever more outer draws; see `OptionResult.convergence` for the columns."""
    return convergence(cells_of(frame, tally, counts), float(frame.grouping.units_per_cell), confidence)


def _in_groups(frame: Frame, tally: Tally, column: int, confidence: float) -> Estimate:
    counts, sizes = groups_of(frame, tally, column)
    return clustered_share(counts, sizes, np.ones(sizes.size), confidence, repeated=frame.repeated)


def _one_draw(frame: Frame, tally: Tally, column: int, confidence: float) -> Estimate:
    units = float(frame.units)
    if frame.by_lot:
        lots = np.arange(frame.grouping.units_per_lot + 1, dtype=np.float64)
        size = float(frame.grouping.units_per_lot)
        if column > 0:
            return clustered_share(
                lots, np.full(lots.size, size), tally.lots[column - 1].astype(float), confidence
            )
        # readings are not kept by lot: what lots do to the units by share they do to their readings
        n_lots = effective_trials(lots, np.full(lots.size, size), tally.lots[0].astype(float), confidence)
        tied = n_lots / units
    else:
        tied = 1.0
    if column > 0:
        k = float(tally.within[:, column].sum())
        return Estimate(k / units, *clopper_pearson(k, units, confidence))
    shares = np.arange(frame.readings + 1) / frame.readings
    weights = tally.shares.astype(float)
    p = float(np.sum(weights * shares) / units)
    n = tied * effective_trials(shares, np.ones_like(shares), weights, confidence)
    n = max(n, 1.0)
    low, high = clopper_pearson(min(p * n, n), n, confidence)
    return Estimate(p, min(low, p), max(high, p))


def _lots(frame: Frame, tally: Tally, column: int) -> tuple[float, float] | None:
    """5 % and 95 % points of the yield of a lot; None where lots do not differ or readings are counted.

    Lots are drawn with few units each. The variance of their shares is that of the yields of lots and that of
    counting, p (1 - p) / n (1 - r) of the beta-binomial distribution (Williams, 'The analysis of binary responses
    from toxicological experiments', Biometrics 31, 1975); the points are those of the beta distribution with the
    mean and variance left.
    """
    if not frame.by_lot or column == 0:
        return None
    size = frame.grouping.units_per_lot
    lots = tally.lots[column - 1].astype(np.float64)
    shares = np.arange(size + 1) / size
    count = float(lots.sum())
    mean = float(lots @ shares) / count
    within = mean * (1.0 - mean)
    variance = float(lots @ (shares - mean) ** 2) / max(count - 1.0, 1.0)
    if within <= 0.0 or size < 2:
        return mean, mean
    tied = (variance / within - 1.0 / size) / (1.0 - 1.0 / size)
    if tied <= 0.0:
        return mean, mean
    total = 1.0 / min(tied, 1.0 - 1e-9) - 1.0
    low, high = (float(betaincinv(mean * total, (1.0 - mean) * total, end)) for end in (0.05, 0.95))
    return low, high


def readings_bias(frame: Frame, tally: Tally) -> float:
    """Change of the yield 'at every check point' when units are judged on half of their readings.

    More readings find more faults in the same unit: this does not vanish with more units, and the yield of a
    unit that is read for years lies lower still.
    """
    half = float(tally.halves.mean()) / frame.units
    return half - float(tally.within[:, 2].sum()) / frame.units


def share_below(tally: Tally, multiples: Array) -> Array:
    """Share of units whose largest error is at most `multiples` of the permissible one."""
    counts = tally.largest.sum(axis=0)
    edges = RATIO_BINS.edges()
    cumulative = np.concatenate([[0.0], np.cumsum(counts) / counts.sum()])
    return np.asarray(np.interp(multiples, edges, cumulative))
