"""The statistics of a budget on lots of several units, drawn without the chain."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd
from budget_study import LIMIT, LOAD, LOT, Parts
from numpy.typing import NDArray
from scipy.special import stdtrit

from margin.estimates.paired_changes import (
    Beyond,
    Gains,
    Quantiles,
    quantile_of_sizes,
    quantiles_of,
    yield_ends,
)
from margin.propagation.histogram import Bins


def counted_quantiles(sizes: list[NDArray[np.float64]], clusters: int) -> Quantiles:
    """Quantiles of cases of one reading a unit, sizes of the error (unit,), as a budget counts them."""
    bins = Bins(10.0 * float(np.max(sizes[0])))
    counted = np.stack([np.bincount(bins.index(each) - bins.half, minlength=bins.half + 1) for each in sizes])
    limits = [quantile_of_sizes(each, bins) for each in counted]
    beyond = np.stack([each > limit for each, limit in zip(sizes, limits, strict=True)]).astype(np.float64)
    by_cluster = beyond.reshape(len(sizes), clusters, -1)
    return quantiles_of(counted, bins, Beyond.of(by_cluster.sum(axis=2), by_cluster.shape[2]))


def clustered_budgets(parts: Parts, lots: int, per_lot: int, seeds: Iterable[int]) -> Iterable[pd.DataFrame]:
    """A budget for each seed, the columns that `agreement` reads."""
    for seed in seeds:
        yield _budget(parts, lots, per_lot, np.random.default_rng(seed))


def _budget(parts: Parts, lots: int, per_lot: int, rng: np.random.Generator) -> pd.DataFrame:
    units = lots * per_lot
    drawn = {name: rng.standard_normal(units) * sd * LOAD for name, sd in parts.sds.items()}
    if LOT in drawn:
        drawn[LOT] = np.repeat(rng.standard_normal(lots), per_lot) * parts.sds[LOT] * LOAD
    error = np.sum(list(drawn.values()), axis=0)
    limit = LIMIT * parts.whole * LOAD
    rows = []
    for change, scale in (("frozen", 0.0), ("halved", 0.5)):
        cases = [error, *(error + (scale - 1.0) * part for part in drawn.values())]
        found = counted_quantiles([np.abs(each) for each in cases], lots)
        values = found.values - found.values[0]
        halves = stdtrit(found.changes()[1], 0.975) * found.changes()[0]
        for number, (name, changed) in enumerate(zip(drawn, cases[1:], strict=True), 1):
            moved = (np.abs(changed) <= limit) * 1.0 - (np.abs(error) <= limit)
            gains = Gains.of(moved, lots, float(units))
            low, high = yield_ends(*(np.array([x]) for x in (gains.gain, gains.loss, gains.trials)), 0.95)
            rows.append(
                {
                    "factor": name,
                    "change": change,
                    "yield_change_low": low[0],
                    "yield_change_high": high[0],
                    "error_change_N_low": values[number] - halves[number],
                    "error_change_N_high": values[number] + halves[number],
                }
            )
        rank = found.ranks(np.arange(1, len(cases)), 1.0, 0.0, 0.95)
        for row, one in zip(rows[-len(drawn) :], rank, strict=True):
            row["rank"] = one
    return pd.DataFrame(rows)
