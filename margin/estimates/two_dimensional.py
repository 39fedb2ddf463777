"""Yield over what is not known: its 5 % and 95 % points over outer draws, each with an interval, and convergence."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import bdtr, ndtr, ndtri

from distributions import Stream, unit_points
from margin.estimates.intervals import shrunken
from margin.estimates.results import Estimate
from margin.estimates.surface import fit_surface

Array = NDArray[np.float64]

ENDS = np.array([0.05, 0.95])
"""Points of the yield over outer draws that are given."""

READ_DRAWS = 4096
"""Outer draws at which a surface is read: they cost no unit."""

_ERRORS, _READ_WITH_ERRORS = 100, 1024
_SEED = 0


def ends_over_draws(
    shares: Array, units: float, noise: float, scores: Array | None, confidence: float
) -> tuple[Estimate, Estimate]:
    """5 % and 95 % points of the yield over outer draws, with their intervals.

    shares  (draw,) conforming shares of `units` units each
    noise   variance of such a share about the yield of its outer draw
    scores  (draw, unknown), standard normal, of what differs between outer draws

    Read off a surface through all outer draws (see `surface`) where they support one; its interval is that of its
    coefficients. Otherwise the points of the shares themselves, the scatter of finite counts taken out, with the
    interval of order statistics (David and Nagaraja, 'Order Statistics', 2003, 7.1).
    """
    surface = None if scores is None else fit_surface(scores, shares, units, noise)
    if surface is None or scores is None:
        return _order_statistics(np.sort(shrunken(shares, noise)), confidence)
    read = _read_draws(scores.shape[1] + 1)
    known, other = read[:, :-1], read[:, -1]
    probits = surface.probits(known, other)
    ends = np.quantile(probits, ENDS)
    errors = surface.errors(
        known[:_READ_WITH_ERRORS], other[:_READ_WITH_ERRORS], _ERRORS, np.random.default_rng(_SEED)
    )
    drawn = np.quantile(probits[:_READ_WITH_ERRORS, None] + errors, ENDS, axis=0)
    deviations = drawn.std(axis=1, ddof=1)
    half = float(ndtri(0.5 * (1.0 + confidence))) * deviations
    first, second = (
        Estimate(float(ndtr(end)), float(ndtr(end - h)), float(ndtr(end + h)))
        for end, h in zip(ends, half, strict=True)
    )
    return first, second


@lru_cache(maxsize=8)
def _read_draws(columns: int) -> Array:
    """Standard normal scores of outer draws that no unit was drawn under, (draw, column)."""
    names = tuple(f"score {i}" for i in range(columns))
    return np.asarray(ndtri(unit_points("sobol", Stream(_SEED), names, 0, READ_DRAWS)).T)


def _order_statistics(ordered: Array, confidence: float) -> tuple[Estimate, Estimate]:
    draws, tail = ordered.size, 0.5 * (1.0 - confidence)
    values = np.quantile(ordered, ENDS, method="median_unbiased")
    below = np.stack([bdtr(np.arange(draws), draws, end) for end in ENDS])
    low = np.count_nonzero(below <= tail, axis=1) - 1
    high = np.count_nonzero(below < 1.0 - tail, axis=1)
    first, second = (
        Estimate(
            float(value),
            float(ordered[a]) if a >= 0 else 0.0,
            float(ordered[b]) if b < draws else 1.0,
        )
        for value, a, b in zip(values, low, high, strict=True)
    )
    return first, second


def convergence(
    shares: Array, units: float, noise: float, scores: Array | None, confidence: float
) -> pd.DataFrame:
    """The 5 % point after ever more of the outer draws: outer, lower_bound, low, high. Arguments as above."""
    draws = shares.size
    counts = np.unique(np.geomspace(min(10, draws), draws, 9).round().astype(int))
    rows = []
    for count in counts.tolist():
        some = None if scores is None else scores[:count]
        found, _ = ends_over_draws(shares[:count], units, noise, some, confidence)
        rows.append({"outer": count, "lower_bound": found.value, "low": found.low, "high": found.high})
    return pd.DataFrame(rows, columns=["outer", "lower_bound", "low", "high"])
