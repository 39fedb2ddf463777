"""Three yields, never confused: of readings, of units by their share of readings, of units everywhere."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from margin.estimates.intervals import clopper_pearson, clustered_share, effective_trials, shrunken
from margin.estimates.results import Estimate, Yield
from margin.propagation.tally import RATIO_BINS, Frame, Tally

Array = NDArray[np.float64]

COUNTS = ("readings", "units by share of readings", "units at every check point")
"""What can be counted, in the order of the columns of `Tally.within`."""


def yields_of(frame: Frame, tally: Tally, confidence: float) -> dict[str, Yield]:
    """The three yields of one option, by what counts."""
    return {name: _yield(frame, tally, column, confidence) for column, name in enumerate(COUNTS)}


def _yield(frame: Frame, tally: Tally, column: int, confidence: float) -> Yield:
    each = frame.readings if column == 0 else 1
    if frame.outer > 1:
        counts = tally.within[:, column] / each
        sizes = np.full(frame.outer, float(frame.grouping.units_per_draw))
        sampled = clustered_share(counts, sizes, np.ones(frame.outer), confidence)
        return Yield(sampled, _knowledge(frame, tally, column), _lots(frame, tally, column))
    return Yield(_one_draw(frame, tally, column, confidence), None, _lots(frame, tally, column))


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


def _knowledge(frame: Frame, tally: Tally, column: int) -> tuple[float, float]:
    """5 % and 95 % points of the yield over outer draws, the scatter of finite counts taken out."""
    units = float(frame.grouping.units_per_draw)
    if column == 0:
        shares = tally.within[:, 0] / (units * frame.readings)
        mean = np.arange(frame.readings + 1) / frame.readings
        weights = tally.shares / tally.shares.sum()
        spread = float(np.sum(weights * mean**2) - np.sum(weights * mean) ** 2)
        # the spread of all units holds that between draws as well: take it out of what a draw scatters by
        noise = max(spread - float(shares.var()), 0.0) / max(units - 1.0, 1.0)
    else:
        shares = tally.within[:, column] / units
        noise = float(np.mean(shares * (1.0 - shares))) / max(units - 1.0, 1.0)
    low, high = np.quantile(shrunken(shares, noise), [0.05, 0.95], method="median_unbiased")
    return float(low), float(high)


def _lots(frame: Frame, tally: Tally, column: int) -> tuple[float, float] | None:
    """5 % and 95 % points of the yield of a lot; None where lots do not differ or readings are counted."""
    if not frame.by_lot or column == 0:
        return None
    size = frame.grouping.units_per_lot
    lots = tally.lots[column - 1]
    shares = np.repeat(np.arange(size + 1) / size, lots)
    noise = float(np.mean(shares * (1.0 - shares))) / max(size - 1.0, 1.0)
    low, high = np.quantile(shrunken(shares, noise), [0.05, 0.95], method="median_unbiased")
    return float(low), float(high)


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
