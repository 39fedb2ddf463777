"""Repeatable random numbers: one stream for each purpose of an estimate."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from distributions import Stream
from margin.estimates.rare.limit import Array


class Draws:
    """Draws of one named purpose, one after the other: the same for one seed whatever else is drawn.

    seed  of the whole estimate
    name  of the purpose, such as 'pilot' or 'subset 3'
    """

    def __init__(self, seed: int, name: str) -> None:
        self._stream = Stream(seed)
        self._name = f"rare failure, {name}"
        self._taken = 0

    def uniforms(self, *shape: int) -> Array:
        """Uniform numbers in the open interval (0, 1)."""
        count = int(np.prod(shape))
        found = self._stream.uniforms(self._name, self._taken, count)
        self._taken += count
        return found.reshape(shape)

    def normals(self, *shape: int) -> Array:
        """Standard normal numbers, by inversion."""
        return np.asarray(ndtri(self.uniforms(*shape)), dtype=np.float64)

    def order(self, count: int) -> NDArray[np.intp]:
        """A random order of range(count)."""
        return np.argsort(self.uniforms(count), kind="stable")
