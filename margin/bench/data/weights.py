"""Rows that stand for several readings: their number, and the scatter inside them.

A frame of single readings has neither column; a condensed one (`margin.bench.summary`) has

readings      how many readings the row is the mean of
squares       sum of squared deviations of their outputs from the mean
load_squares  the same of their loads
products      sum of products of the two deviations
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Array = NDArray[np.float64]


def readings(frame: pd.DataFrame) -> Array:
    """Readings that each row stands for, (n,)."""
    return column(frame, "readings", 1.0)


def column(frame: pd.DataFrame, name: str, default: float = 0.0) -> Array:
    """A column of a condensed frame, (n,); `default` in a frame of single readings."""
    if name not in frame:
        return np.full(len(frame), default)
    return frame[name].to_numpy(dtype=float)


def means(frame: pd.DataFrame, keys: Sequence[str], name: str) -> pd.Series[float]:
    """Mean over readings of column `name`, by the values of `keys`, in order of appearance."""
    groups = frame.groupby(list(keys), observed=True, sort=False)
    if "readings" not in frame:
        return groups[name].mean()
    number, weight = groups.ngroup().to_numpy(), readings(frame)
    total = np.bincount(number, weight * frame[name].to_numpy(dtype=float))
    return pd.Series(total / np.bincount(number, weight), index=groups.size().index, name=name)


def repeated_scatter(frame: pd.DataFrame, keys: Sequence[str], relative: bool = False) -> tuple[float, int]:
    """Sum of squared deviations of outputs from the mean of their group, and its degrees of freedom.

    relative  deviations as shares of that mean
    """
    groups = frame.groupby(list(keys), observed=True, sort=False)
    number, weight = groups.ngroup().to_numpy(), readings(frame)
    dof = round(float(weight.sum())) - groups.ngroups
    output = frame["output"].to_numpy(dtype=float)
    mean = (np.bincount(number, weight * output) / np.bincount(number, weight))[number]
    squares = weight * (output - mean) ** 2 + column(frame, "squares")
    return float(np.sum(squares / mean**2 if relative else squares)), dof
