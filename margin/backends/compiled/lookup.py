"""Tables read by recorded arrays: a place among knots, the entry at a place, straight lines between knots."""

from __future__ import annotations

from typing import Any

import numpy as np

from margin.backends.compiled.operations import NotTraceable
from margin.chain.arrays import entries


def place_among(knots: Any, values: Any, side: str = "left", sorter: Any = None) -> Any:
    """`np.searchsorted`: how many of a few ascending knots lie below a value ('right': or at it)."""
    if not isinstance(knots, np.ndarray) or sorter is not None:
        raise NotTraceable("a search among drawn values")
    passed = np.greater if side == "left" else np.greater_equal
    place: Any = np.zeros_like(values)
    for number, knot in enumerate(knots.tolist(), 1):
        place = np.where(passed(values, knot), float(number), place)
    return place


def straight_between(
    x: Any, knots: Any, values: Any, left: float | None = None, right: float | None = None, period: Any = None
) -> Any:
    """`np.interp`: lines through points, held (or `left` and `right`) beyond them."""
    knots, values = (np.asarray(each, dtype=np.float64) for each in (knots, values))
    if period is not None or knots.size < 2:
        raise NotTraceable("a table of one point, or one that repeats itself")
    piece = place_among(knots[1:-1], x, "right")
    slope = entries(np.diff(values) / np.diff(knots), piece)
    inside = slope * (x - entries(knots, piece)) + entries(values, piece)
    above = np.where(x > knots[-1], values[-1] if right is None else right, values[-1])
    held = np.where(x >= knots[-1], above, inside)
    return np.where(x < knots[0], values[0] if left is None else left, held)
