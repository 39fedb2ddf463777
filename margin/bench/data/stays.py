"""Stays at one load, and which of them are holds for drift."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from margin.bench.data.columns import SERIES
from margin.bench.data.weights import readings

HOLD_READINGS = 4
HOLD_RATIO = 3.0
"""A hold is a stay at one load with this many readings, the last this many times later than the first."""


@dataclass(frozen=True)
class Stays:
    """Stays at one load within a series of readings, row by row, (n,).

    number   of the stay
    elapsed  s since the load was put on: since the last reading at the load before, or the start of the series
    hold     whether the stay is a hold
    first    whether the row is the first of its stay
    """

    number: NDArray[np.intp]
    elapsed: NDArray[np.float64]
    hold: NDArray[np.bool_]
    first: NDArray[np.bool_]


def stays_of(points: pd.DataFrame, load: str = "point_N") -> Stays:
    """Stays of one or more readings in the order they were taken, each series by itself.

    load  column that is equal for readings of one load point
    """
    keys = [key for key in SERIES if key in points]
    series = points.groupby(keys, observed=True, sort=False).ngroup().to_numpy()
    order = np.argsort(series, kind="stable")
    time = points["time_s"].to_numpy(dtype=float)[order]
    opened = np.append(True, np.diff(series[order]) != 0)
    starts = opened | np.append(True, np.diff(points[load].to_numpy(dtype=float)[order]) != 0)
    number = np.cumsum(starts) - 1
    places = np.flatnonzero(starts)
    onset = np.where(opened[places], 0.0, time[places - 1])
    elapsed = time - onset[number]
    past = elapsed > 0
    count = np.bincount(number, readings(points)[order] * past)
    latest, earliest = np.zeros(count.size), np.full(count.size, np.inf)
    np.maximum.at(latest, number[past], elapsed[past])
    np.minimum.at(earliest, number[past], elapsed[past])
    untimed = np.bincount(number, ~np.isfinite(elapsed))
    hold = (untimed == 0) & (count >= HOLD_READINGS) & (latest >= HOLD_RATIO * earliest)
    back = np.argsort(order)
    return Stays(number[back], elapsed[back], hold[number][back], starts[back])
