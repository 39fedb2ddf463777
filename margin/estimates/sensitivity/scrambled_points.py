"""Scrambled Sobol points in independent scramblings, because a single quasi-random sample gives no honest interval
(Owen 1995; L'Ecuyer 2018)."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.stats import qmc

from distributions.errors import MarginError

Array = NDArray[np.float64]
Evaluate = Callable[[Array], Array]

BITS = 30
HALF_CELL = 2.0 ** -(BITS + 1)


class BadDesign(MarginError, ValueError):
    """A sensitivity plan that cannot be drawn."""


def scrambled_points(columns: int, seed: int, scrambling: int, rows: slice) -> Array:
    """Rows of one scrambled Sobol sequence, (rows, columns), moved to the middle of their cell.

    The first rows stay what they are when more are drawn, so that a study can be extended. Zero, whose
    quantile may be infinite, cannot occur.
    """
    stream = np.random.default_rng(np.random.SeedSequence([seed, scrambling]))
    engine = qmc.Sobol(columns, scramble=True, bits=BITS, seed=stream)
    if rows.start:
        engine.fast_forward(rows.start)
    # `random` warns about counts that are no power of two at the start of the sequence; the plan checks the
    # whole count, of which a block is only a part.
    count = rows.stop - rows.start
    points = engine.random(count) if _is_power_of_two(count) else engine.random(_next_power(count))[:count]
    return np.asarray(points + HALF_CELL, dtype=float)


def _is_power_of_two(number: int) -> bool:
    return number > 0 and number & (number - 1) == 0


def _next_power(number: int) -> int:
    return 1 << (number - 1).bit_length()


def check_points(base: int, scramblings: int, seed: int) -> None:
    """Raise BadDesign unless every scrambling has a power of two of base rows and the seed is usable."""
    if scramblings < 1:
        raise BadDesign(f"scramblings is {scramblings}; at least one is needed, eight give intervals")
    if base % scramblings or not _is_power_of_two(base // scramblings) or base // scramblings < 2:
        raise BadDesign(
            f"base is {base} for {scramblings} scramblings; each scrambling needs the same power of two "
            f"of base rows (2 or more), or the Sobol points lose their balance. "
            f"Take base = {scramblings} times a power of two"
        )
    if seed < 0:
        raise BadDesign(f"seed is {seed}; take a whole number from 0 up")
