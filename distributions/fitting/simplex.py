"""Minimum of many small functions at once by the simplex method."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from distributions.distribution import FloatArray

NARROW = 1e-5

Function = Callable[[FloatArray, NDArray[np.intp]], FloatArray]
"""(points (k, p), rows (k,)) -> values (k,): value of the function of each row at its point."""


def minimise(function: Function, start: FloatArray, size: float = 0.5, steps: int = 400) -> FloatArray:
    """Points (rows, p) where `function` is least, from `start` (rows, p).

    Nelder and Mead, Computer Journal 7 (1965) 308, with reflection 1, expansion 2, contraction and shrinkage
    1/2; a row is done when its simplex is narrower than NARROW in every coordinate (a
    minimum is flat: its value is then right to some ten digits).

    size   edge of the first simplex
    steps  at most
    """
    rows, p = start.shape
    corners = np.repeat(start[:, None, :], p + 1, axis=1)
    corners[:, np.arange(1, p + 1), np.arange(p)] += size
    active = np.arange(rows)
    values = np.stack([function(corners[:, j], active) for j in range(p + 1)], axis=1)
    for _ in range(steps):
        order = np.argsort(values[active], axis=1)
        corners[active] = np.take_along_axis(corners[active], order[..., None], axis=1)
        values[active] = np.take_along_axis(values[active], order, axis=1)
        active = active[np.ptp(corners[active], axis=1).max(axis=1) > NARROW]
        if not active.size:
            break
        _step(function, corners, values, active)
    best = np.argmin(values, axis=1)
    found: FloatArray = corners[np.arange(rows), best]
    return found


def _step(function: Function, corners: FloatArray, values: FloatArray, rows: NDArray[np.intp]) -> None:
    """Replace the worst corner of each of `rows`, or shrink its simplex towards the best corner, in place."""
    centre = corners[rows, :-1].mean(axis=1)
    away = centre - corners[rows, -1]
    point = centre + away
    value = function(point, rows)
    best, second, worst = values[rows, 0], values[rows, -2], values[rows, -1]
    further = np.flatnonzero(value < best)
    nearer = np.flatnonzero(value >= second)
    # Outside contraction where the reflected point is better than the worst corner, inside otherwise.
    reach = np.where(value < worst, 0.5, -0.5)
    tried = centre + reach[:, None] * away
    tried[further] = centre[further] + 2.0 * away[further]
    chosen = np.concatenate([further, nearer])
    if chosen.size:
        found = function(tried[chosen], rows[chosen])
        better = chosen[found < np.minimum(value, worst)[chosen]]
        value[chosen] = np.where(found < value[chosen], found, value[chosen])
        point[better] = tried[better]
        failed = np.setdiff1d(nearer, better)
    else:
        failed = nearer
    kept = np.setdiff1d(np.arange(rows.size), failed)
    corners[rows[kept], -1] = point[kept]
    values[rows[kept], -1] = value[kept]
    if failed.size:
        shrunk = rows[failed]
        corners[shrunk, 1:] = 0.5 * (corners[shrunk, 1:] + corners[shrunk, :1])
        for j in range(1, corners.shape[1]):
            values[shrunk, j] = function(corners[shrunk, j], shrunk)
