"""Each variable alone, and each pair of variables, at their limits."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.int64]
Evaluate = Callable[[Array], Array]
"""(row, output) of rows (row, variable)."""

PAIRED = 80
"""Most variables of which pairs are formed; those with the largest effects where there are more."""


def pairs_of(strength: Array) -> tuple[Index, Index]:
    """All pairs among the PAIRED strongest variables; strength: (variable,)."""
    kept = np.sort(np.argsort(-strength, kind="stable")[:PAIRED])
    i, j = np.triu_indices(kept.size, 1)
    return kept[i], kept[j]


def four_corners(base: Array, first: Index, second: Index, low: Array, high: Array) -> Array:
    """Rows (pair * 4, variable): `base` with each pair at (low, low), (low, high), (high, low), (high, high)."""
    count = first.size
    rows = np.tile(base, (4 * count, 1))
    at = np.arange(count)
    ends = (low, high)
    for number, (a, b) in enumerate(((0, 0), (0, 1), (1, 0), (1, 1))):
        rows[4 * at + number, first] = ends[a][first]
        rows[4 * at + number, second] = ends[b][second]
    return rows


@dataclass(frozen=True)
class Screen:
    """Effects at the limits, all else as designed.

    still      (output,) with nothing off its centre
    alone      (2, variable, output) change by one variable at its low and its high limit
    first, second  (pair,) variables of a pair
    interplay  (pair, output) largest part of the change by both that neither brings alone
    rows       evaluations spent
    """

    still: Array
    alone: Array
    first: Index
    second: Index
    interplay: Array
    rows: int


def screen(errors: Evaluate, low: Array, centre: Array, high: Array) -> Screen:
    """Evaluate each variable and each pair at the limits: 1 + 2 n + 2 n (n - 1) rows for n variables."""
    count = centre.size
    rows = np.tile(centre, (2 * count + 1, 1))
    at = np.arange(count)
    rows[at, at], rows[count + at, at] = low, high
    found = errors(rows)
    still = found[-1]
    alone = (found[:-1] - still).reshape(2, count, still.size)
    first, second = pairs_of(np.abs(alone).max(axis=(0, 2)))
    if not first.size:
        return Screen(still, alone, first, second, np.zeros((0, still.size)), rows.shape[0])
    corners = four_corners(centre, first, second, low, high)
    both = errors(corners).reshape(first.size, 2, 2, -1) - still
    sum_of_two = alone[:, first].transpose(1, 0, 2)[:, :, None] + alone[:, second].transpose(1, 0, 2)[:, None]
    interplay = np.abs(both - sum_of_two).max(axis=(1, 2))
    return Screen(still, alone, first, second, interplay, rows.shape[0] + corners.shape[0])
