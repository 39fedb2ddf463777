"""Counter-based random numbers: any draw of any factor, addressed by name and index."""

from __future__ import annotations

import hashlib
import threading
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from distributions.distribution import SMALLEST_UNIFORM

_PER_COUNTER = 4
"""Philox 4x64 gives four 64-bit words for each value of its counter."""


_own = threading.local()


def _generator_at(key: NDArray[np.uint64], counter: int, replicate: int) -> np.random.Generator:
    """The thread's generator, set to a key and counter: a new one would first gather entropy that is not used."""
    if not hasattr(_own, "generator"):
        _own.generator = np.random.Generator(np.random.Philox(0))
    generator: np.random.Generator = _own.generator
    generator.bit_generator.state = {
        "bit_generator": "Philox",
        "state": {"counter": np.array([counter, 0, replicate, 0], dtype=np.uint64), "key": key},
        "buffer": np.zeros(_PER_COUNTER, dtype=np.uint64),
        "buffer_pos": _PER_COUNTER,
        "has_uint32": 0,
        "uinteger": 0,
    }
    return generator


@dataclass(frozen=True)
class Stream:
    """Uniform draws of a study, one sequence for each name.

    The generator is Philox 4x64-10 (Salmon, Moraes, Dror and Shaw, 'Parallel random numbers: as easy as
    1, 2, 3', 2011), keyed by a hash of seed and name; the index of a draw is its counter. A name that is
    added, left out or frozen changes no draw of any other name.

    >>> from distributions import Stream
    >>> whole = Stream(1).uniforms("gain", 0, 6)
    >>> bool((whole[4:] == Stream(1).uniforms("gain", 4, 2)).all())
    True
    """

    seed: int

    def uniforms(self, name: str, start: int, count: int, replicate: int = 0) -> NDArray[np.float64]:
        """Draws `start` to `start + count` of the sequence of `name`, shape (count,), inside (0, 1).

        Any cut gives the same numbers: uniforms(n, 0, 9)[4:] equals uniforms(n, 4, 5) to the bit. `replicate`
        selects independent repetitions of the whole sequence.

        Raises ValueError for a negative start, count or replicate.
        """
        if start < 0 or count < 0 or replicate < 0:
            raise ValueError(
                f"start, count and replicate must be at least 0 (got {start}, {count}, {replicate})"
            )
        counter, skipped = divmod(start, _PER_COUNTER)
        drawn = _generator_at(self.key(name), counter, replicate).random(count + skipped)[skipped:]
        # random() may give exactly 0 and ends below 1; every inverse needs the open interval
        return np.maximum(drawn, SMALLEST_UNIFORM, out=drawn)

    def words(self, name: str, count: int, replicate: int = 0) -> NDArray[np.uint64]:
        """The first `count` raw 64-bit words of the sequence of `name`, for scrambling and permutations."""
        counter = np.array([0, 0, replicate, 1], dtype=np.uint64)
        found: NDArray[np.uint64] = np.random.Philox(key=self.key(name), counter=counter).random_raw(count)
        return found

    def key(self, name: str) -> NDArray[np.uint64]:
        """The two words that key the generator of `name`."""
        digest = hashlib.blake2b(f"{self.seed}\n{name}".encode(), digest_size=16).digest()
        return np.frombuffer(digest, dtype=np.uint64).copy()
