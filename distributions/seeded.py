"""Many draws from one uniform: a vector of draws that enters a plan of points as a single column."""

from __future__ import annotations

import hashlib

import numpy as np
from numpy.typing import NDArray

_GOLDEN = np.uint64(0x9E3779B97F4A7C15)
_FIRST, _SECOND = np.uint64(0xBF58476D1CE4E5B9), np.uint64(0x94D049BB133111EB)


def _mixed(words: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Finalizer of SplitMix64 in place: a bijection of 64-bit words."""
    words ^= words >> np.uint64(30)
    words *= _FIRST
    words ^= words >> np.uint64(27)
    words *= _SECOND
    words ^= words >> np.uint64(31)
    return words


def uniforms_from(seeds: NDArray[np.float64], name: str, count: int) -> NDArray[np.float64]:
    """`count` uniforms for each seed, shape (seeds, count), inside (0, 1).

    seeds  (seeds,) uniforms; equal seeds give equal rows, different ones (by 2^-53 or more) unrelated rows
    name   keeps apart what one seed gives for several purposes

    The generator is SplitMix64 (Steele, Lea and Flood, 'Fast splittable pseudorandom number generators', 2014),
    started for each row at a hash of its seed and the name. It serves where a factor is drawn many times for one
    row of a plan of points (a placement at each load, say) but must stay one column of that plan.

    >>> import numpy as np
    >>> from distributions import uniforms_from
    >>> uniforms_from(np.array([0.25, 0.5]), "placement", 3).shape
    (2, 3)
    """
    key = int.from_bytes(hashlib.blake2b(name.encode(), digest_size=8).digest(), "little")
    start = _mixed((np.asarray(seeds, dtype=np.float64) * 2.0**53).astype(np.uint64) ^ np.uint64(key))
    steps = _GOLDEN * np.arange(1, count + 1, dtype=np.uint64)
    words = _mixed(start[:, np.newaxis] + steps)
    drawn = (words >> np.uint64(12)).astype(np.float64)
    # 52 bits and half a step: neither 0 nor 1 can occur
    drawn += 0.5
    drawn *= 2.0**-52
    return drawn
