"""Points for factors that are drawn once a unit: random, Latin hypercube, scrambled Sobol."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache, partial
from threading import Lock
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from distributions.streams import Stream
from distributions.validity import InvalidParameter

PointKind = Literal["random", "latin", "sobol"]
Uniforms = NDArray[np.float64]
Bits = NDArray[np.uint32]

LATIN_GROUP = 1024
"""Points in one Latin hypercube; a run consists of consecutive, independent ones."""

_SOBOL_BITS = 32
_CHUNK_BITS = 12  # points are made in aligned chunks of at most 4096, of which the last 12 index bits differ


def unit_points(
    kind: PointKind,
    stream: Stream,
    names: tuple[str, ...],
    start: int,
    count: int,
    replicate: int = 0,
    *,
    skipped: int = 0,
) -> Uniforms:
    """Points `start` to `start + count`, shape (len(names), count), inside the open interval (0, 1).

    random  the stream of each name
    latin   McKay, Beckman and Conover, 1979: in each group of 1024 consecutive points every stratum of width
            1/1024 holds one point, for every name; permutations keyed by name
    sobol   Sobol points in natural order with nested uniform scrambling (Owen, 1995) by hashing (Laine and
            Karras, 2011), keyed by name; the dimension is the position in `names` behind `skipped` others,
            so that a name added at the end leaves the others as they are; 32 bits, for runs of up to 2**32
            points. Sets of points that are used together must not have a dimension in common: however they
            are scrambled, equal dimensions go together

    Any cut gives the same points; `replicate` gives independent repetitions. Raises ValueError for another
    kind, for a name that occurs twice, a negative start or count, or a point beyond the last.

    >>> from distributions import Stream, unit_points
    >>> points = unit_points("sobol", Stream(1), ("gain", "zero"), 0, 8)
    >>> points.shape, sorted((points[0] * 8).astype(int).tolist())
    ((2, 8), [0, 1, 2, 3, 4, 5, 6, 7])
    """
    return points_of_pieces(kind, stream, names, [(start, count, replicate)], skipped=skipped)


def points_of_pieces(
    kind: PointKind,
    stream: Stream,
    names: tuple[str, ...],
    pieces: Sequence[tuple[int, int, int]],
    *,
    skipped: int = 0,
) -> Uniforms:
    """Points of several (start, count, replicate), one behind the other; see `unit_points`.

    >>> from distributions import Stream, points_of_pieces, unit_points
    >>> joined = points_of_pieces("sobol", Stream(1), ("gain",), [(0, 4, 0), (4, 4, 0)])
    >>> bool((joined == unit_points("sobol", Stream(1), ("gain",), 0, 8)).all())
    True
    """
    if len(set(names)) != len(names):
        raise InvalidParameter("unit_points", "names", names, "different from one another")
    for start, count, _ in pieces:
        if start < 0 or count < 0:
            raise InvalidParameter("unit_points", "start, count", (start, count), "at least 0")
        if kind == "sobol" and start + count > 2**_SOBOL_BITS:
            raise InvalidParameter("unit_points", "start + count", start + count, "at most 2**32 for sobol")
    if kind == "sobol":
        return _sobol(stream, names, pieces, skipped)
    if kind not in ("random", "latin"):
        raise InvalidParameter("unit_points", "kind", kind, "'random', 'latin' or 'sobol'")
    row = stream.uniforms if kind == "random" else partial(_latin, stream)
    rows = [np.concatenate([np.empty(0), *(row(name, *piece) for piece in pieces)]) for name in names]
    return np.stack(rows) if rows else np.empty((0, sum(count for _, count, _ in pieces)))


def _latin(stream: Stream, name: str, start: int, count: int, replicate: int) -> Uniforms:
    first = start // LATIN_GROUP
    groups = -(-(start + count) // LATIN_GROUP) - first
    begin, length = first * LATIN_GROUP, groups * LATIN_GROUP
    ranks = stream.uniforms(f"{name} strata", begin, length, replicate).reshape(groups, LATIN_GROUP)
    strata = np.argsort(ranks, axis=1, kind="stable").ravel()
    # Rounding of the sum must not carry a point into the next stratum, nor the last one to 1.
    inside = np.minimum(stream.uniforms(name, begin, length, replicate), 1.0 - 2.0**-43)
    offset = start - begin
    return ((strata + inside) / LATIN_GROUP)[offset : offset + count]


_making = Lock()
_directions: Bits = np.empty((0, _SOBOL_BITS), dtype=np.uint32)
_STEP = 128


def make_directions(dimensions: int) -> None:
    """Make the direction numbers of so many Sobol dimensions, so that threads that are started later only read them.

    They are made once in a process and by one thread, also where threads ask first. Raises ValueError for more
    dimensions than there are.
    """
    _reversed_directions(dimensions)


def _reversed_directions(dimensions: int) -> Bits:
    """Direction numbers of Joe and Kuo, 2008, with their bits reversed; shape (dimensions, 32)."""
    global _directions
    if len(_directions) < dimensions:
        with _making:
            if len(_directions) < dimensions:
                _directions = _made_directions(dimensions)
    return _directions[:dimensions]


def _made_directions(least: int) -> Bits:
    """Direction numbers of at least so many dimensions: those of one dimension do not depend on how many there are."""
    # Imported when first needed: this package takes over half a second to load.
    from scipy.stats import qmc

    most = qmc.Sobol.MAXDIM
    if least > most:
        raise InvalidParameter("unit_points", "names", least, f"at most {most} for sobol")
    # The library has no public accessor; the tests hold the points against those of its public generator.
    engine = qmc.Sobol(min(-(-least // _STEP) * _STEP, most), scramble=False, bits=_SOBOL_BITS)
    made = _reverse_bits(np.asarray(engine._sv, dtype=np.uint32))  # type: ignore[attr-defined]
    made.flags.writeable = False
    return made


def _sobol(
    stream: Stream, names: tuple[str, ...], pieces: Sequence[tuple[int, int, int]], skipped: int
) -> Uniforms:
    """Repetitions scramble the same points: those are made once, and all are scrambled together."""
    counts = [count for _, count, _ in pieces]
    if not names or not sum(counts):
        return np.empty((len(names), sum(counts)))
    directions = _reversed_directions(skipped + len(names))[skipped:]
    longest: dict[int, int] = {}
    for start, count, _ in pieces:
        longest[start] = max(count, longest.get(start, 0))
    made = {start: _unscrambled(directions, start, count) for start, count in longest.items()}
    points = np.concatenate([made[start][:, :count] for start, count, _ in pieces], axis=1)
    keys = _keys_of(stream, names, tuple(replicate for _, _, replicate in pieces))
    scrambled = _reverse_bits(
        _scramble(points, keys if len(counts) == 1 else np.repeat(keys, counts, axis=2))
    )
    return (scrambled.astype(np.float64) + 0.5) * 2.0**-_SOBOL_BITS


def _unscrambled(directions: Bits, start: int, count: int) -> Bits:
    """Bit-reversed points: point i is the exclusive or of the direction numbers of the set bits of i."""
    low_bits = min(_CHUNK_BITS, max(count - 1, 1).bit_length())
    first, last = start >> low_bits, (start + max(count, 1) - 1) >> low_bits
    offset = start - (first << low_bits)
    within = np.zeros((len(directions), 1 << low_bits), dtype=np.uint32)
    for bit in range(low_bits):
        known = 1 << bit
        np.bitwise_xor(within[:, :known], directions[:, bit : bit + 1], out=within[:, known : 2 * known])
    chunk = np.arange(first, last + 1, dtype=np.uint64)
    heads = np.zeros((len(directions), chunk.size), dtype=np.uint32)
    for bit in range(low_bits, low_bits + last.bit_length()):
        set_ = (chunk >> np.uint64(bit - low_bits)) & np.uint64(1)
        heads ^= set_.astype(np.uint32) * directions[:, bit : bit + 1]
    points: Bits = (heads[:, :, None] ^ within[:, None, :]).reshape(len(directions), -1)
    return points[:, offset : offset + count]


def scrambled_dimension(
    stream: Stream, names: tuple[str, ...], name: str, replicate: int = 0
) -> tuple[Bits, Bits]:
    """Reversed direction numbers, (32,), and scrambling keys, (4,), of one of the names: for points made elsewhere."""
    directions = _reversed_directions(len(names))[names.index(name)]
    return directions, _scrambling_keys(stream, name, replicate)


@lru_cache(maxsize=4096)
def _scrambling_keys(stream: Stream, name: str, replicate: int) -> Bits:
    return stream.words(f"{name} scrambling", 2, replicate).view(np.uint32)


@lru_cache(maxsize=256)
def _keys_of(stream: Stream, names: tuple[str, ...], replicates: tuple[int, ...]) -> Bits:
    """Scrambling keys, (4, name, replicate)."""
    keys = np.array([[_scrambling_keys(stream, name, each) for each in replicates] for name in names])
    return keys.transpose(2, 0, 1)


def _scramble(reversed_points: Bits, keys: Bits) -> Bits:
    """Nested uniform scrambling of bit-reversed points by two rounds of a Laine-Karras hash.

    Adding, multiplying by odd numbers and taking the exclusive or with even multiples carry only from lower
    to higher bits; on reversed points every bit is thus flipped by a hash of the more significant ones,
    which is Owen's nested scrambling with a hash in place of a table of random flips. Multipliers by
    N. Vegdahl, 'Building a better LK hash' (from memory).
    """
    x = reversed_points.copy()
    for seed, odd in ((keys[0], keys[1]), (keys[2], keys[3])):
        x ^= x * np.uint32(0x3D20ADEA)
        x += seed
        x *= odd | np.uint32(1)
        x ^= x * np.uint32(0x05526C56)
        x ^= x * np.uint32(0x53A22864)
    return x


def _reverse_bits(words: Bits) -> Bits:
    """The 32 bits of each word in reverse order."""
    for shift, mask in ((1, 0x55555555), (2, 0x33333333), (4, 0x0F0F0F0F)):
        by, kept = np.uint32(shift), np.uint32(mask)
        words = ((words >> by) & kept) | ((words & kept) << by)
    return words.byteswap()
