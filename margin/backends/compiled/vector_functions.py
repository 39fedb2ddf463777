"""Exponential, logarithm, sine, cosine, arc sine and arc cosine of vectors, to a few units in the last place.

Methods and coefficients: exponential and sine by their Taylor series after reduction in two or three parts (Cody and
Waite, Software Manual for the Elementary Functions, 1980); logarithm and arc cosine by the minimax polynomials of
the freely distributable mathematics library (Sun Microsystems, 1993). Coefficients from memory, checked against numpy
in the tests.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from margin.backends.compiled.vector_text import VectorText

MAGIC = 1.5 * 2.0**52
"""Added to a number of moderate size it leaves its nearest whole number in the last bits."""
MAGIC_BITS = 0x4338000000000000
LN2_HIGH, LN2_LOW = 6.93147180369123816490e-01, 1.90821492927058770002e-10
PI_PARTS = tuple(
    4.0 * part for part in (7.85398125648498535156e-1, 3.77489470793079817668e-8, 2.69515142907905952645e-15)
)
"""Three numbers of few bits that add up to pi."""
HALF_PI_LOW = 6.123233995736766e-17
"""What half of pi is above the double next to it."""

_LOG = (
    6.666666666666735130e-01, 3.999999999940941908e-01, 2.857142874366239149e-01, 2.222219843214978396e-01,
    1.818357216161805012e-01, 1.531383769920937332e-01, 1.479819860511658591e-01,
)  # fmt: skip
_ARC_ABOVE = (
    1.66666666666666657415e-01, -3.25565818622400915405e-01, 2.01212532134862925881e-01,
    -4.00555345006794114027e-02, 7.91534994289814532176e-04, 3.47933107596021167570e-05,
)  # fmt: skip
_ARC_BELOW = (
    1.0, -2.40339491173441421878e00, 2.02094576023350569471e00, -6.88283971605453293030e-01,
    7.70381505559019352791e-02,
)  # fmt: skip


def polynomial(t: VectorText, x: str, coefficients: Sequence[float]) -> str:
    """Lowest power first."""
    result = t.number(coefficients[-1])
    for c in reversed(coefficients[:-1]):
        result = t.fused(result, x, t.number(c))
    return result


def exponential(t: VectorText, x: str) -> str:
    """exp(x); 0 below -708, infinite above 709.7."""
    shifted = t.fused(x, t.number(1.0 / math.log(2.0)), t.number(MAGIC))
    whole = t.subtract(shifted, t.number(MAGIC))
    r = t.fused(whole, t.number(-LN2_HIGH), x)
    r = t.fused(whole, t.number(-LN2_LOW), r)
    series = polynomial(t, r, [1.0 / math.factorial(n) for n in range(14)])
    power = t.on_words("shl", t.bits(shifted), t.word(52))
    result = t.of_bits(t.on_words("add", t.bits(series), power))
    result = t.select(t.compare("olt", x, t.number(-708.0)), t.number(0.0), result)
    result = t.select(t.compare("ogt", x, t.number(709.7)), t.number(math.inf), result)
    return t.select(t.compare("uno", x, x), x, result)


def logarithm(t: VectorText, x: str) -> str:
    """log(x); minus infinity at 0, not a number below. Subnormal numbers count as they are scaled: wrongly."""
    result = _ordinary_logarithm(t, x)
    result = t.select(t.compare("oeq", x, t.number(math.inf)), x, result)
    none = t.select(t.compare("oeq", x, t.number(0.0)), t.number(-math.inf), t.number(math.nan))
    return t.select(t.compare("ogt", x, t.number(0.0)), result, none)


def _ordinary_logarithm(t: VectorText, x: str) -> str:
    """log(x) of a positive, finite x that is not subnormal."""
    k, f = exponent_and_rest(t, x)
    return joined_logarithm(t, k, f, t.multiply(k, t.number(LN2_LOW)))


def exponent_and_rest(t: VectorText, x: str) -> tuple[str, str]:
    """k and f of x = 2^k (1 + f), with 1 + f from the root of a half to that of 2."""
    bits = t.bits(x)
    above = t.on_words("sub", bits, t.word(0x3FE6A09E667F3BCD))
    exponent = t.on_words("ashr", above, t.word(52))
    mantissa = t.of_bits(t.on_words("sub", bits, t.on_words("shl", exponent, t.word(52))))
    k = t.subtract(t.of_bits(t.on_words("add", exponent, t.word(MAGIC_BITS))), t.number(MAGIC))
    return k, t.subtract(mantissa, t.number(1.0))


def joined_logarithm(t: VectorText, k: str, f: str, low: str) -> str:
    """k log(2) + log(1 + f), with `low` the part of it that lies below the upper bits of k log(2)."""
    s = t.divide(f, t.add(f, t.number(2.0)))
    z = t.multiply(s, s)
    r = t.multiply(z, polynomial(t, z, _LOG))
    half = t.multiply(t.multiply(t.number(0.5), f), f)
    small = t.fused(s, t.add(half, r), low)
    rest = t.subtract(t.subtract(half, small), f)
    return t.subtract(t.multiply(k, t.number(LN2_HIGH)), rest)


def sine(t: VectorText, x: str) -> str:
    """sin(x), for |x| below some millions."""
    shifted = t.fused(x, t.number(1.0 / math.pi), t.number(MAGIC))
    whole = t.subtract(shifted, t.number(MAGIC))
    r = x
    for part in PI_PARTS:
        r = t.fused(whole, t.number(-part), r)
    z = t.multiply(r, r)
    series = polynomial(t, z, [(-1.0) ** n / math.factorial(2 * n + 1) for n in range(11)])
    odd = t.on_words("shl", t.bits(shifted), t.word(63))
    return t.of_bits(t.on_words("xor", t.bits(t.multiply(r, series)), odd))


def cosine(t: VectorText, x: str) -> str:
    """cos(x) = 1 - 2 sin(x / 2)^2: right to 1e-16 of 1."""
    s = sine(t, t.multiply(t.number(0.5), x))
    return t.fused(t.multiply(t.number(-2.0), s), s, t.number(1.0))


def arc_cosine(t: VectorText, x: str) -> str:
    """arccos(x): by the arc sine, beyond a half by that of the half angle."""
    outer, arc = _arc(t, x, x)
    twice = t.multiply(t.number(2.0), arc)
    below = t.compare("olt", x, t.number(0.0))
    at_ends = t.select(below, t.subtract(t.number(math.pi), twice), twice)
    return t.select(outer, at_ends, t.subtract(t.number(0.5 * math.pi), arc))


def arc_sine(t: VectorText, x: str) -> str:
    """arcsin(x): beyond a half by that of the complement's half angle."""
    size = t.unary("fabs", x)
    outer, arc = _arc(t, x, size)
    twice = t.subtract(t.multiply(t.number(2.0), arc), t.number(HALF_PI_LOW))
    return t.with_sign_of(t.select(outer, t.subtract(t.number(0.5 * math.pi), twice), arc), x)


def _arc(t: VectorText, x: str, inner: str) -> tuple[str, str]:
    """Whether |x| is above a half; the arc sine of `inner`, or there of the root of (1 - |x|) / 2."""
    size = t.unary("fabs", x)
    outer = t.compare("ogt", size, t.number(0.5))
    rest = t.multiply(t.number(0.5), t.subtract(t.number(1.0), size))
    z = t.select(outer, rest, t.multiply(x, x))
    ratio = t.divide(polynomial(t, z, _ARC_ABOVE), polynomial(t, z, _ARC_BELOW))
    y = t.select(outer, t.unary("sqrt", z), inner)
    return outer, t.fused(t.multiply(y, z), ratio, y)


def quotient(t: VectorText, a: str, b: str, inverse: str) -> str:
    """a / b to the bit, without a division: two corrections of the product by the rounded reciprocal `inverse`.

    Markstein, IBM Journal of Research and Development 34, 1990: a quotient off by less than a unit in the last place
    is rounded rightly by one correction; the first correction makes it so. Not where a quotient or its remainder is
    subnormal, nor beyond 1e300.
    """
    found, negative = t.multiply(a, inverse), t.new(f"fneg {t.numbers} {b}")
    for _ in range(2):
        found = t.fused(t.fused(found, negative, a), inverse, found)
    return found
