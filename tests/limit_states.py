"""Limit states with a known failure probability, as the tests of rare failures use them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Limit:
    """A margin as a function of the rows of z, with d named factors."""

    dimension: int
    margin: Callable[[Array], Array]

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(f"factor {number}" for number in range(1, self.dimension + 1))

    def __call__(self, z: Array) -> Array:
        return self.margin(z.T)


@dataclass(frozen=True)
class KnownLimit:
    """A limit with its probability; `uncertainty` is that of the probability itself (0 where exact)."""

    name: str
    limit: Limit
    probability: float
    uncertainty: float = 0.0
