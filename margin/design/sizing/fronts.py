"""Designs that are not dominated, and a few of them that lie well apart."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def not_dominated(objectives: Array) -> NDArray[np.bool_]:
    """Which rows (design, objective; less is better) no other row is as good as in all and better than in one.

    Of equal rows the first stays. Rows with an objective that is no number are dominated.
    """
    kept = np.zeros(len(objectives), dtype=np.bool_)
    sound = np.flatnonzero(~np.isnan(objectives).any(axis=1))
    order = sound[np.lexsort(objectives[sound].T[::-1])]
    front: list[int] = []
    for place in order:
        # in this order no later row dominates an earlier one
        if not front or not np.any(np.all(objectives[front] <= objectives[place], axis=1)):
            front.append(int(place))
    kept[front] = True
    return kept


def coarse(values: Array, steps: Array) -> Array:
    """Objectives in whole steps, so that differences that do not matter tell no designs apart."""
    return np.asarray(np.round(values / steps))


def apart(points: Array, count: int) -> NDArray[np.intp]:
    """Rows of so many points that lie well apart: first the best in each objective, then each the farthest of the rest.

    Distances are taken with every objective scaled to its range (Gonzalez 1985, farthest-point clustering; from
    memory).
    """
    if len(points) <= count:
        return np.arange(len(points))
    span = np.ptp(points, axis=0)
    scaled = (points - points.min(axis=0)) / np.where(span > 0.0, span, 1.0)
    chosen = list(dict.fromkeys(int(place) for place in scaled.argmin(axis=0)))[:count]
    distance = np.min(np.stack([np.sum((scaled - scaled[place]) ** 2, axis=1) for place in chosen]), axis=0)
    while len(chosen) < count:
        farthest = int(distance.argmax())
        chosen.append(farthest)
        distance = np.minimum(distance, np.sum((scaled - scaled[farthest]) ** 2, axis=1))
    return np.array(chosen, dtype=np.intp)
