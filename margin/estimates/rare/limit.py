"""The limit state: the margin to a requirement as a function of independent standard normal factors.

Whatever the factors are in the product (resistances, shares of load, temperatures), an inverse cumulative
distribution function turns a standard normal number into each of them; the methods of this folder see only
the standard normal space, where distance from the origin measures how unlikely a point is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from distributions.errors import MarginError

Array = NDArray[np.float64]


class RareEventError(MarginError, ValueError):
    """A failure probability cannot be estimated from what was given."""


class BudgetEnded(Exception):
    """The evaluations allowed do not suffice for the points asked for; none of these was evaluated."""


class LimitState(Protocol):
    """Margin to the requirement: negative means failure."""

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the d factors, in the order of the columns of z."""

    def __call__(self, z: Array, /) -> Array:
        """Margins, shape (n,), at the points z, shape (n, d), of the standard normal space."""


class CountedLimit:
    """A limit state that counts its evaluations and refuses margins that are not numbers.

    limit      callable from (n, d) to (n,); failure where the result is negative
    dimension  number d of factors
    progress   called with the number of points of each evaluation
    """

    def __init__(
        self, limit: LimitState, dimension: int, progress: Callable[[int], None] | None = None
    ) -> None:
        if dimension < 1:
            raise RareEventError(f"dimension must be at least 1 (got {dimension}): give one factor or more")
        names = tuple(limit.names)
        if len(names) != dimension:
            raise RareEventError(
                f"the limit state names {len(names)} factors but dimension is {dimension}: give one name each"
            )
        self.names = names
        self.dimension = dimension
        self.evaluations = 0
        self._limit = limit
        self._progress = progress
        self._most = float("inf")

    @contextmanager
    def at_most(self, evaluations: float) -> Iterator[None]:
        """Raise BudgetEnded, in the block, before the count in all would exceed this number."""
        outside, self._most = self._most, evaluations
        try:
            yield
        finally:
            self._most = outside

    def __call__(self, z: Array, /) -> Array:
        """Margins, shape (n,), at z, shape (n, d). RareEventError where a margin is not a finite number.

        BudgetEnded where `at_most` allows fewer points.
        """
        if self.evaluations + len(z) > self._most:
            raise BudgetEnded
        margins = np.asarray(self._limit(z), dtype=np.float64)
        self.evaluations += len(z)
        if self._progress is not None:
            self._progress(len(z))
        if margins.shape != (len(z),):
            raise RareEventError(
                f"the limit state must return shape ({len(z)},) for {len(z)} points (got {margins.shape})"
            )
        bad = np.flatnonzero(~np.isfinite(margins))
        if bad.size:
            first = ", ".join(f"{n} = {v:.4g}" for n, v in zip(self.names, z[bad[0]], strict=True))
            raise RareEventError(
                f"the margin is not finite at {bad.size} of {len(z)} points, first at standard normal values "
                f"{first}: the limit state must give a finite number everywhere"
            )
        return margins
