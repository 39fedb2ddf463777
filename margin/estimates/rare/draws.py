"""Repeatable random numbers: one counter-based stream for each purpose."""

from __future__ import annotations

import hashlib

import numpy as np
from scipy.special import ndtri

from margin.estimates.rare.limit import Array

SMALLEST = 2.0**-54


class Draws:
    """Sequential draws of one named purpose: the same for one seed whatever else is drawn.

    seed  of the whole estimate
    name  of the purpose, such as 'pilot' or 'chains 3'
    """

    def __init__(self, seed: int, name: str) -> None:
        words = np.frombuffer(hashlib.sha256(name.encode()).digest(), dtype=np.uint32)
        entropy = [seed & 0xFFFFFFFFFFFFFFFF, *(int(word) for word in words)]
        self._generator = np.random.Generator(np.random.Philox(np.random.SeedSequence(entropy)))

    def uniforms(self, *shape: int) -> Array:
        """Uniform numbers in the open interval (0, 1)."""
        return self._generator.random(shape) + SMALLEST

    def normals(self, *shape: int) -> Array:
        """Standard normal numbers, by inversion."""
        return np.asarray(ndtri(self.uniforms(*shape)), dtype=np.float64)

    def order(self, count: int) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
        """A random order of range(count)."""
        return np.argsort(self.uniforms(count), kind="stable")
