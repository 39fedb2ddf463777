"""The statistics of a budget on lots of several units, drawn without the chain."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd
from budget_study import LIMIT, LOAD, LOT, Parts
from scipy.special import stdtrit

from margin.estimates.paired_changes import (
    Gains,
    change_of_quantile,
    pooled_quantile,
    ranks,
    yield_ends,
)


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
    before = pooled_quantile([np.abs(error)[np.newaxis]], lots)
    rows = []
    for change, scale in (("frozen", 0.0), ("halved", 0.5)):
        values, quantiles = [], []
        for name, part in drawn.items():
            changed = error + (scale - 1.0) * part
            after = pooled_quantile([np.abs(changed)[np.newaxis]], lots)
            values.append(after.value - before.value)
            quantiles.append(after)
            sd, freedom = change_of_quantile(before, after)
            half = stdtrit(freedom, 0.975) * sd
            moved = (np.abs(changed) <= limit) * 1.0 - (np.abs(error) <= limit)
            gains = Gains.of(moved, lots, float(units))
            low, high = yield_ends(*(np.array([x]) for x in (gains.gain, gains.loss, gains.trials)), 0.95)
            rows.append(
                {
                    "factor": name,
                    "change": change,
                    "yield_change_low": low[0],
                    "yield_change_high": high[0],
                    "error_change_N_low": values[-1] - half,
                    "error_change_N_high": values[-1] + half,
                }
            )
        rank = ranks(
            np.array(values),
            np.stack([each.influence for each in quantiles]),
            np.array([each.step for each in quantiles]),
            0.0,
            0.95,
        )
        for row, one in zip(rows[-len(drawn) :], rank, strict=True):
            row["rank"] = one
    return pd.DataFrame(rows)
