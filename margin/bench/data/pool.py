"""Means of readings with what is inside them, added up piece by piece.

A piece is one row: `readings` n, means of time, load, temperature and output, sums of squared deviations
`squares` (output), `load_squares` (load) and `products` (both), `lowest` and `highest` output with how often each
was read, `line` of its first reading. A single reading is a piece with n = 1 and sums of 0. Pieces of one cell
are pooled by the pairwise rule of Chan, Golub and LeVeque (American Statistician 37, 1983, 242),
extended to several: mean = sum n m / sum n, squares = sum [squares + n (m - mean)^2].
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Array = NDArray[np.float64]

MEANS = ("time_s", "load_N", "temperature_degC", "output")


def pieces_of(readings: pd.DataFrame) -> pd.DataFrame:
    """Single readings, with columns line, series, branch, step, stay, part and `MEANS`, as pieces."""
    output = readings["output"].to_numpy()
    return readings.assign(
        readings=1.0,
        squares=0.0,
        load_squares=0.0,
        products=0.0,
        lowest=output,
        highest=output,
        at_lowest=1.0,
        at_highest=1.0,
    )


def pooled(pieces: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    """One piece for each combination of `keys`, ordered by them; other columns as in its first piece."""
    order = np.lexsort([pieces[key].to_numpy() for key in reversed(keys)])
    ordered = pieces.iloc[order].reset_index(drop=True)
    changed = np.zeros(len(ordered), dtype=bool)
    changed[0] = True
    for key in keys:
        values = ordered[key].to_numpy()
        changed[1:] |= values[1:] != values[:-1]
    starts = np.flatnonzero(changed)
    cell = np.cumsum(changed) - 1
    count = ordered["readings"].to_numpy()
    total = np.add.reduceat(count, starts)
    means: dict[str, Array] = {}
    away: dict[str, Array] = {}
    for name in MEANS:
        values = ordered[name].to_numpy()
        # About the first piece: the mean of equal values is that value to the bit.
        first = values[starts]
        means[name] = first + np.add.reduceat(count * (values - first[cell]), starts) / total
        away[name] = values - means[name][cell]
    output, load = away["output"], away["load_N"]
    found = ordered.iloc[starts].reset_index(drop=True).assign(readings=total, **means)
    found["squares"] = np.add.reduceat(ordered["squares"].to_numpy() + count * output**2, starts)
    found["load_squares"] = np.add.reduceat(ordered["load_squares"].to_numpy() + count * load**2, starts)
    found["products"] = np.add.reduceat(ordered["products"].to_numpy() + count * output * load, starts)
    found["line"] = np.minimum.reduceat(ordered["line"].to_numpy(), starts)
    for name, end in (("lowest", np.minimum), ("highest", np.maximum)):
        values = ordered[name].to_numpy()
        found[name] = end.reduceat(values, starts)
        often = np.where(values == found[name].to_numpy()[cell], ordered[f"at_{name}"].to_numpy(), 0.0)
        found[f"at_{name}"] = np.add.reduceat(often, starts)
    return found


def without_value(pieces: pd.DataFrame, value: Array, count: Array) -> pd.DataFrame:
    """Pieces less `count` readings of exactly the output `value` in each, (n,); pieces left empty are dropped.

    n' = n - k, mean' = (n mean - k value) / n', squares' = squares - k n / n' (value - mean)^2: the rule of
    `pooled` undone. The loads of the readings taken off are those of the mean.
    """
    n, mean = pieces["readings"].to_numpy(), pieces["output"].to_numpy()
    left = n - count
    safe = np.where(left > 0, left, 1.0)
    squares = pieces["squares"].to_numpy() - count * n / safe * (value - mean) ** 2
    found = pieces.assign(
        readings=left, output=mean + count * (mean - value) / safe, squares=np.maximum(squares, 0.0)
    )
    return found[left > 0].reset_index(drop=True)
