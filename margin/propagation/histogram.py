"""Counts of signed numbers over many decades: bins of equal relative width, read off the bits of the float.

A double holds its exponent and the first bits of its mantissa in its upper bits; those bits, taken as a whole
number, are a logarithmic bin index that costs one shift. Nothing about the numbers need be known beforehand,
counts are whole numbers, so that the order in which blocks arrive cannot change the result, and a percentile
is good to a fraction of the bin's width (1/128 of the value).
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_MANTISSA_BITS = 7
_SHIFT = 20 - _MANTISSA_BITS
_WORDS = ("low", "high") if sys.byteorder == "little" else ("high", "low")
_HALVES = np.dtype([(word, np.int32) for word in _WORDS])
"""The two words of a double: the upper one holds sign, exponent and the first 20 bits of the mantissa."""
_PER_OCTAVE = 1 << _MANTISSA_BITS
_BIAS = 1023


@dataclass(frozen=True)
class Bins:
    """Bins for |value| / scale between 2**lowest and 2**highest; what is smaller or larger goes to the ends.

    Index 0 holds the most negative values, `half` everything that is zero to the resolution.
    """

    scale: float
    lowest: int = -24
    highest: int = 6

    @property
    def half(self) -> int:
        return (self.highest - self.lowest) * _PER_OCTAVE + 1

    @property
    def size(self) -> int:
        return 2 * self.half + 1

    @property
    def shift(self) -> int:
        """Bits at the end of a double that a bin does not tell apart."""
        return 52 - _MANTISSA_BITS

    @property
    def below(self) -> int:
        """Upper bits of the largest magnitude that is zero to the resolution."""
        return (self.lowest + _BIAS) * _PER_OCTAVE - 1

    @property
    def upper_word(self) -> tuple[int, int]:
        """By how much the upper word of |value| / scale is shifted to be a bin, and what is then taken off."""
        return _SHIFT, (self.lowest + _BIAS) * _PER_OCTAVE - 1

    def index(self, values: Array) -> NDArray[np.int32]:
        """Bin of each value; shape kept. Values must be finite."""
        bits = (values / self.scale).view(_HALVES)["high"]
        found = bits & np.int32(0x7FFFFFFF)
        found >>= _SHIFT
        found -= self.below
        np.maximum(found, 0, out=found)
        np.minimum(found, self.half, out=found)
        # minus what is found where the sign bit is set: the complement of a whole number is itself negated, less 1
        sign = bits >> 31
        found ^= sign
        found -= sign
        found += self.half
        return found

    def edges(self) -> Array:
        """Edges of the bins, ascending, size + 1 of them, to be read only; the outermost are finite stand-ins."""
        return _edges(self)


@lru_cache(maxsize=16)
def _edges(bins: Bins) -> Array:
    """Made once: a budget asks for them with every option of every variant."""
    step = np.arange(bins.half, dtype=np.float64)
    octave, part = np.divmod(step, _PER_OCTAVE)
    upper = np.ldexp(1.0 + part / _PER_OCTAVE, octave.astype(np.int64) + bins.lowest)
    upper = np.append(upper, 2.0 * upper[-1])
    found: Array = bins.scale * np.concatenate([-upper[::-1], upper])
    found.flags.writeable = False
    return found


def quantile(counts: NDArray[np.int64], bins: Bins, q: Array, low: Array, high: Array) -> Array:
    """Quantiles of counted values, linear inside a bin, kept inside the smallest and largest value seen.

    counts: (..., bins.size); q: (k,); low, high: (...,). Returns (..., k); NaN-free where counts are not empty.

    Raises ValueError for an empty count.
    """
    total = counts.sum(axis=-1)
    if np.any(total == 0):
        raise ValueError("a quantile needs at least one value")
    edges = bins.edges()
    flat = counts.reshape(-1, counts.shape[-1])
    result = np.empty((flat.shape[0], q.size))
    for row, (count, smallest, largest) in enumerate(zip(flat, np.ravel(low), np.ravel(high), strict=True)):
        below = np.cumsum(count)
        wanted = q * below[-1]
        place = np.minimum(np.searchsorted(below, wanted, side="left"), counts.shape[-1] - 1)
        before = below[place] - count[place]
        share = (wanted - before) / np.maximum(count[place], 1)
        left = np.maximum(edges[place], smallest)
        right = np.minimum(edges[place + 1], largest)
        result[row] = np.clip(left + share * (right - left), smallest, largest)
    return result.reshape(*counts.shape[:-1], q.size)


def mean_and_sd(counts: NDArray[np.int64], bins: Bins, low: Array, high: Array) -> tuple[Array, Array]:
    """Mean and standard deviation from bin centres; counts: (..., bins.size), low, high: (...,).

    Bins are 1/128 of the value wide: the mean is good to half of that where values lie in one bin, and the error of
    grouping (Sheppard) is below 1e-5 of the result where they fill many. Bins end at the smallest and the largest
    value seen, `low` and `high`, so that the mean lies between them and equal values have no spread.
    """
    smallest, largest = (np.asarray(end, dtype=np.float64)[..., np.newaxis] for end in (low, high))
    edges = np.clip(bins.edges(), smallest, largest)
    centre = 0.5 * (edges[..., :-1] + edges[..., 1:])
    share = counts / counts.sum(axis=-1, keepdims=True)
    # rounding of the sum must not carry the mean of equal values beyond them
    mean = np.clip((share * centre).sum(axis=-1), smallest[..., 0], largest[..., 0])
    variance = (share * (centre - mean[..., np.newaxis]) ** 2).sum(axis=-1)
    return mean, np.sqrt(variance)
