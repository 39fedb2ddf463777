"""Points for factors that are drawn once a unit: random, Latin hypercube, scrambled Sobol."""

from __future__ import annotations

from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.stats import qmc

from distributions.distribution import LARGEST_UNIFORM, SMALLEST_UNIFORM
from distributions.streams import Stream

PointKind = Literal["random", "latin", "sobol"]
Uniforms = NDArray[np.float64]
Words = NDArray[np.uint64]

LATIN_GROUP = 1024
"""Points in one Latin hypercube; a run consists of consecutive, independent ones."""

_SOBOL_BITS = 32


def unit_points(
    kind: PointKind, stream: Stream, names: tuple[str, ...], start: int, count: int, replicate: int = 0
) -> Uniforms:
    """Points `start` to `start + count`, shape (len(names), count), inside the open interval (0, 1).

    random  the stream of each name
    latin   McKay, Beckman and Conover, 1979: in each group of 1024 consecutive points every stratum of width
            1/1024 holds one point, for every name; permutations keyed by name
    sobol   Sobol points with a random digital scrambling of each name's own (nested, Owen 1995, by hashing
            the leading bits as Laine and Karras, 2011); the dimension is the position in `names`; `replicate`
            gives independent scramblings

    Any cut gives the same points. Raises ValueError for another kind, or more names than Sobol dimensions.
    """
    if kind == "random":
        return np.stack([stream.uniforms(name, start, count, replicate) for name in names])
    if kind == "latin":
        return np.stack([_latin(stream, name, start, count, replicate) for name in names])
    if kind == "sobol":
        return _sobol(stream, names, start, count, replicate)
    raise ValueError(f"points must be 'random', 'latin' or 'sobol' (got {kind!r})")


def _latin(stream: Stream, name: str, start: int, count: int, replicate: int) -> Uniforms:
    first, last = start // LATIN_GROUP, (start + max(count, 1) - 1) // LATIN_GROUP
    groups = []
    for group in range(first, last + 1):
        ranks = stream.uniforms(f"{name} strata", group * LATIN_GROUP, LATIN_GROUP, replicate)
        inside = stream.uniforms(name, group * LATIN_GROUP, LATIN_GROUP, replicate)
        groups.append((np.argsort(ranks, kind="stable") + inside) / LATIN_GROUP)
    offset = start - first * LATIN_GROUP
    points = np.concatenate(groups)[offset : offset + count]
    return np.clip(points, SMALLEST_UNIFORM, LARGEST_UNIFORM)


@lru_cache(maxsize=4)
def _direction_words(dimensions: int) -> Words:
    """Direction numbers (dimensions, bits), read from the first 2**bits points of the unscrambled sequence.

    Point 2**k of the sequence in its natural order is the direction number of bit k; in the Gray-code order
    of the library, point 2**k differs from its predecessor by direction number k.
    """
    engine = qmc.Sobol(dimensions, scramble=False, bits=_SOBOL_BITS)
    directions = np.asarray(engine._sv, dtype=np.uint64)  # type: ignore[attr-defined]
    return directions[:, :_SOBOL_BITS]


def _sobol(stream: Stream, names: tuple[str, ...], start: int, count: int, replicate: int) -> Uniforms:
    directions = _direction_words(len(names))
    index = np.arange(start, start + count, dtype=np.uint64)
    gray = index ^ (index >> np.uint64(1))
    result = np.empty((len(names), count))
    top = int(start + count).bit_length()
    for row, name in enumerate(names):
        point = np.zeros(count, dtype=np.uint64)
        for bit in range(top):
            chosen = (gray >> np.uint64(bit)) & np.uint64(1)
            point ^= chosen * directions[row, bit]
        keys = stream.words(f"{name} scrambling", 1, replicate)
        result[row] = (_owen(point, keys[0]).astype(np.float64) + 0.5) * 2.0**-_SOBOL_BITS
    return np.clip(result, SMALLEST_UNIFORM, LARGEST_UNIFORM)


def _owen(point: Words, key: np.uint64) -> Words:
    """Nested uniform scrambling: each bit is flipped by a hash of the more significant bits and the key."""
    scrambled = np.zeros_like(point)
    for bit in range(_SOBOL_BITS - 1, -1, -1):
        leading = (point >> np.uint64(bit + 1)) | (np.uint64(1) << np.uint64(_SOBOL_BITS - 1 - bit))
        flip = _mix(leading ^ key) & np.uint64(1)
        scrambled |= (((point >> np.uint64(bit)) & np.uint64(1)) ^ flip) << np.uint64(bit)
    return scrambled


def _mix(words: Words) -> Words:
    """Finaliser of SplitMix64 (Steele, Lea and Flood, 2014): every input bit reaches every output bit."""
    words = (words ^ (words >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    words = (words ^ (words >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    mixed: Words = words ^ (words >> np.uint64(31))
    return mixed
