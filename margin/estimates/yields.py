"""Three yields, never confused: of readings, of units by their share of readings, of units everywhere."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from margin.estimates.intervals import clopper_pearson, clustered_share, effective_trials, shrunken
from margin.estimates.results import Estimate, Yield
from margin.estimates.two_dimensional import convergence, ends_over_draws
from margin.propagation.tally import RATIO_BINS, Frame, Tally

Array = NDArray[np.float64]

COUNTS = ("readings", "units by share of readings", "units at every check point")
"""What can be counted, in the order of the columns of `Tally.within`."""


def yields_of(frame: Frame, tally: Tally, confidence: float, scores: Array | None = None) -> dict[str, Yield]:
    """The three yields of one option, by what counts.

    scores  (outer draw, unknown), standard normal, of what differs between outer draws; without them the points
            over outer draws come from the yields of single draws alone
    """
    return {name: _yield(frame, tally, column, confidence, scores) for column, name in enumerate(COUNTS)}


def _yield(frame: Frame, tally: Tally, column: int, confidence: float, scores: Array | None) -> Yield:
    lots = _lots(frame, tally, column)
    if frame.outer > 1:
        shares, units, noise = _shares_of_draws(frame, tally, column)
        low, high = ends_over_draws(shares, units, noise, scores, confidence)
        return Yield(_in_groups(frame, tally, column, confidence), (low.value, high.value), lots, low)
    if frame.repeated:
        return Yield(_in_groups(frame, tally, column, confidence), None, lots)
    return Yield(_one_draw(frame, tally, column, confidence), None, lots)


def groups_of(frame: Frame, tally: Tally, column: int) -> tuple[Array, Array]:
    """Conforming units (of readings: their mean share) and units of groups that are independent of one another.

    Outer draws, or sections where there is one draw only or where their points are scrambled apart.
    """
    counts = tally.within[:, column] / (frame.readings if column == 0 else 1)
    starts = frame.grouping.starts("outer")
    if frame.outer == 1:
        sizes = tally.largest.sum(axis=1).astype(np.float64)
    elif frame.repeated and starts is not None:
        sizes = np.diff(np.append(starts, frame.outer)) * float(frame.grouping.units_per_draw)
        counts = np.add.reduceat(counts, starts)
    else:
        sizes = np.full(frame.outer, float(frame.grouping.units_per_draw))
    filled = sizes > 0.0
    return np.asarray(counts[filled]), sizes[filled]


def effective_units(frame: Frame, tally: Tally, column: int, confidence: float) -> float:
    """Units, drawn at random and independent of one another, that would tell the yield as well as the study does."""
    counts, sizes = groups_of(frame, tally, column)
    return effective_trials(counts, sizes, np.ones(sizes.size), confidence, repeated=frame.repeated)


def convergence_of(frame: Frame, tally: Tally, counts: str, confidence: float, scores: Array) -> pd.DataFrame:
    """The lower bound over ever more outer draws; see `OptionResult.convergence` for the columns."""
    shares, units, noise = _shares_of_draws(frame, tally, COUNTS.index(counts))
    return convergence(shares, units, noise, scores, confidence)


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


def _shares_of_draws(frame: Frame, tally: Tally, column: int) -> tuple[Array, float, float]:
    """Conforming share of each outer draw, its number of units, and the variance of a share within its draw."""
    units = float(frame.grouping.units_per_draw)
    if column == 0:
        shares = tally.within[:, 0] / (units * frame.readings)
        mean = np.arange(frame.readings + 1) / frame.readings
        weights = tally.shares / tally.shares.sum()
        spread = float(np.sum(weights * mean**2) - np.sum(weights * mean) ** 2)
        # the spread of all units holds that between draws as well: take it out of what a draw scatters by
        return shares, units, max(spread - float(shares.var()), 0.0) / max(units - 1.0, 1.0)
    shares = tally.within[:, column] / units
    noise = float(np.mean(shares * (1.0 - shares))) / max(units - 1.0, 1.0)
    lots = units / frame.grouping.units_per_lot
    if frame.by_lot and lots > 1.0:
        # the variance of all lots is that between draws and that within, of which a draw averages `lots`
        kinds = np.arange(frame.grouping.units_per_lot + 1) / frame.grouping.units_per_lot
        weights = tally.lots[column - 1] / tally.lots[column - 1].sum()
        spread = float(np.sum(weights * kinds**2) - np.sum(weights * kinds) ** 2)
        noise = max((spread - float(shares.var())) / (lots - 1.0), 0.0)
    return shares, units, noise


def _lots(frame: Frame, tally: Tally, column: int) -> tuple[float, float] | None:
    """5 % and 95 % points of the yield of a lot; None where lots do not differ or readings are counted.

    The scatter of finite counts is taken out where units are drawn at random. Better points make it smaller than
    binomial, by an unknown share: it is then left in, and the range is rather too wide.
    """
    if not frame.by_lot or column == 0:
        return None
    size = frame.grouping.units_per_lot
    lots = tally.lots[column - 1]
    shares = np.repeat(np.arange(size + 1) / size, lots)
    noise = 0.0 if frame.repeated else float(np.mean(shares * (1.0 - shares))) / max(size - 1.0, 1.0)
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
