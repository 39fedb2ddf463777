"""Standard normal quantiles of vectors, by polynomials between close points.

The quantile of u is z = (u - 1/2) f(v), where v, the smaller of u and 1 - u, has the probability of the nearer tail.
f is even about the median and bends slowly where v is measured by its own size, so that a polynomial of eight terms
on each 32nd part of an octave of v gives it to the last bits: no logarithm, no quotient, no branch.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import NDArray
from scipy.special import ndtri

from distributions.distribution import SMALLEST_UNIFORM
from margin.backends.compiled.vector_text import VectorText

Array = NDArray[np.float64]

TERMS = 8
_PART_BITS = 5
_LOW_BITS = 52 - _PART_BITS
_LOW = (1 << _LOW_BITS) - 1
_ONE = 0x3FF << 52
_FIRST = int(np.float64(SMALLEST_UNIFORM).view(np.int64)) >> _LOW_BITS
_LAST = int(np.float64(0.5).view(np.int64)) >> _LOW_BITS
_HALF_PART = 0.5**_PART_BITS / 2.0
_LINE = 8
"""Numbers in a line of a cache."""
_POINTS = 24
"""Points of each piece that its polynomial is fitted to: more than its terms, so that their rounding is averaged."""


@lru_cache(maxsize=1)
def quantile_table() -> Array:
    """Coefficients of f on every piece, lowest power first, (piece, term); the last piece is the median alone."""
    at = np.cos(math.pi * (np.arange(_POINTS) + 0.5) / _POINTS)
    left = (np.arange(_FIRST, _LAST, dtype=np.int64) << _LOW_BITS).view(np.float64)
    octave = 0.5 ** (1 - np.frexp(left)[1])
    tail = (left + octave * _HALF_PART)[:, np.newaxis] + (octave * _HALF_PART)[:, np.newaxis] * at
    values = _of_tail(tail)
    # departures from one value are small, and so is what rounding does to their fit
    middle = values[:, _POINTS // 2 : _POINTS // 2 + 1]
    fitted = (values - middle) @ np.linalg.pinv(chebyshev.chebvander(at, TERMS - 1)).T
    powers = np.array([chebyshev.cheb2poly(row) for row in np.eye(TERMS)], dtype=object)
    found = np.zeros((len(left) + 1, TERMS))
    for row, term in zip(powers, fitted.T, strict=True):
        found[:-1, : len(row)] += term[:, np.newaxis] * np.asarray(row, dtype=np.float64)
    found[:-1, :1] += middle
    table = in_lines(found.shape)
    np.divide(found, _HALF_PART ** np.arange(TERMS), out=table)
    return table


def in_lines(shape: tuple[int, ...]) -> Array:
    """An empty array that begins where a line of the cache of a processor does."""
    count = math.prod(shape)
    raw = np.empty(count + _LINE - 1)
    first = -raw.ctypes.data // raw.itemsize % _LINE
    return raw[first : first + count].reshape(shape)


def _of_tail(v: Array) -> Array:
    """f(v), to the last bits, of 0 < v < 1/2."""
    near = v >= 0.25
    by_tail = ndtri(np.where(near, 0.25, v)) / (v - 0.5)
    return np.where(near, _about_median(np.where(near, v - 0.5, 0.0)), by_tail)


def _about_median(q: Array) -> Array:
    """z / q of |q| <= 1/4: the series of the inverse error function (NIST Handbook of Mathematical Functions, 7.17)."""
    terms = [1.0]
    for k in range(1, 32):
        terms.append(sum(terms[m] * terms[k - 1 - m] / ((m + 1) * (2 * m + 1)) for m in range(k)))
    square = math.pi * q * q
    total = np.zeros_like(q)
    for k in reversed(range(len(terms))):
        total = total * square + terms[k] / (2 * k + 1)
    return math.sqrt(2.0 * math.pi) * total


def normal_quantile(t: VectorText, u: str, table: str) -> str:
    """Standard normal quantiles of u inside (0, 1); table: address of `quantile_table`."""
    above = t.subtract(t.number(1.0), u)
    tail = t.bits(t.select(t.compare("olt", u, above), u, above))
    piece = t.on_words("sub", t.on_words("lshr", tail, t.word(_LOW_BITS)), t.word(_FIRST))
    inside = t.on_words("or", t.on_words("and", tail, t.word(_LOW)), t.word(_ONE))
    x = t.subtract(t.of_bits(inside), t.number(1.0 + _HALF_PART))
    terms = t.rows(table, piece, TERMS)
    result = terms[-1]
    for term in reversed(terms[:-1]):
        result = t.fused(result, x, term)
    return t.multiply(result, t.subtract(u, t.number(0.5)))
