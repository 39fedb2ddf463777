"""Saturated and stuck readings among condensed stays: found and taken off."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from margin.bench.data.condense import Doubtful
from margin.bench.data.flags import STUCK_LOADS
from margin.bench.data.pool import without_value


def without_saturated(pieces: pd.DataFrame, circuit: NDArray[np.object_], doubtful: Doubtful) -> pd.DataFrame:
    """Pieces less the readings at the largest or smallest output of their circuit, where one series has them at
    two or more loads.

    circuit  of each piece, (n,)
    """
    for end in ("highest", "lowest"):
        if pieces.empty:
            break
        by_circuit = pieces.groupby(circuit)[end]
        limit = by_circuit.transform("max" if end == "highest" else "min").to_numpy()
        held = pieces[end].to_numpy() == limit
        loads = pieces["step"].where(held).groupby(pieces["series"].to_numpy()).transform("nunique")
        held &= loads.to_numpy() >= 2
        count = np.where(held, pieces[f"at_{end}"].to_numpy(), 0.0)
        if held.any():
            doubtful.add("saturated", pieces["line"].to_numpy()[held], round(float(count.sum())))
            kept = count < pieces["readings"].to_numpy()
            pieces, circuit = without_value(pieces, limit, count), circuit[kept]
    return pieces


def without_stuck(pieces: pd.DataFrame, doubtful: Doubtful) -> pd.DataFrame:
    """Pieces less the stays whose output is the same throughout and over three or more loads in a row, away from
    the ends of the range."""
    stays = pieces.groupby(["series", "stay"], sort=True)
    low, high = stays["lowest"].min().to_numpy(), stays["highest"].max().to_numpy()
    series = stays["series"].first().to_numpy()
    ends = (pieces["lowest"].min(), pieces["highest"].max())
    still = (low == high) & ~np.isin(low, ends)
    changed = np.append(True, (np.diff(low) != 0) | (np.diff(series) != 0) | ~still[1:] | ~still[:-1])
    streak = pd.Series(stays["step"].first().to_numpy()).groupby(np.cumsum(changed))
    stuck = still & (streak.transform("nunique").to_numpy() >= STUCK_LOADS)
    if not stuck.any():
        return pieces
    rows = stuck[stays.ngroup().to_numpy()]
    doubtful.add("stuck", pieces["line"].to_numpy()[rows], round(float(pieces.loc[rows, "readings"].sum())))
    kept: pd.DataFrame = pieces[~rows].reset_index(drop=True)
    return kept
