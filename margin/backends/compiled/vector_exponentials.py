"""Hyperbolic functions, logarithms of other kinds and the cube root of vectors, to a few units in the last place.

Methods: reduction by powers of two and Taylor series (Cody and Waite, Software Manual for the Elementary Functions,
1980); the rounding of 1 + x is made good in log(1 + x) as in the freely distributable mathematics library (Sun
Microsystems, 1993); hyperbolic functions by exp(x) - 1, which loses nothing about 0. Zeros keep their sign, and what
is not a number goes on as such.
"""

from __future__ import annotations

import math

from margin.backends.compiled.vector_functions import (
    LN2_HIGH,
    LN2_LOW,
    MAGIC,
    MAGIC_BITS,
    exponent_and_rest,
    exponential,
    joined_logarithm,
    logarithm,
    polynomial,
)
from margin.backends.compiled.vector_text import VectorText

_SMALLEST_NORMAL = 2.0**-1022
_TERMS = 14
"""Of the exponential series on half of log(2) to both sides."""


def _whole_power(t: VectorText, exponent: str) -> str:
    """2 to a whole number between -1022 and 1023, which stands in the last bits of a word."""
    return t.of_bits(t.on_words("shl", t.on_words("add", exponent, t.word(1023)), t.word(52)))


def _nearest(t: VectorText, x: str) -> tuple[str, str]:
    """The nearest whole number, of moderate size: as a number, and as a word."""
    shifted = t.add(x, t.number(MAGIC))
    whole = t.subtract(shifted, t.number(MAGIC))
    return whole, t.on_words("sub", t.bits(shifted), t.word(MAGIC_BITS))


def _quarter_less_one(t: VectorText, x: str) -> str:
    """(exp(x) - 1) / 4, which does not overflow below 711."""
    x = t.select(t.compare("olt", x, t.number(-40.0)), t.number(-40.0), x)
    x = t.select(t.compare("ogt", x, t.number(710.6)), t.number(710.6), x)
    whole, word = _nearest(t, t.multiply(x, t.number(1.0 / math.log(2.0))))
    r = t.fused(whole, t.number(-LN2_HIGH), x)
    r = t.fused(whole, t.number(-LN2_LOW), r)
    series = polynomial(t, r, [1.0 / math.factorial(n) for n in range(1, _TERMS)])
    power = _whole_power(t, t.on_words("sub", word, t.word(2)))
    return t.fused(power, t.multiply(r, series), t.subtract(power, t.number(0.25)))


def less_one(t: VectorText, x: str) -> str:
    """exp(x) - 1."""
    result = t.multiply(t.number(4.0), _quarter_less_one(t, x))
    return t.select(t.compare("oeq", x, t.number(0.0)), x, result)


def hyperbolic_tangent(t: VectorText, x: str) -> str:
    """tanh(x) = s / (s + 2) of s = exp(2 x) - 1."""
    twice = t.multiply(t.number(2.0), t.unary("fabs", x))
    s = less_one(t, t.select(t.compare("ogt", twice, t.number(80.0)), t.number(80.0), twice))
    return t.with_sign_of(t.divide(s, t.add(s, t.number(2.0))), x)


def hyperbolic_sine(t: VectorText, x: str) -> str:
    """sinh(x) = (s + s / (s + 1)) / 2 of s = exp(x) - 1."""
    quarter = _quarter_less_one(t, t.unary("fabs", x))
    half, power = t.multiply(t.number(2.0), quarter), t.fused(t.number(4.0), quarter, t.number(1.0))
    result = t.add(half, t.divide(half, power))
    result = t.select(t.compare("oeq", half, t.number(math.inf)), half, result)
    return t.with_sign_of(result, x)


def hyperbolic_cosine(t: VectorText, x: str) -> str:
    """cosh(x) = (exp(x) + exp(-x)) / 2."""
    quarter = _quarter_less_one(t, t.unary("fabs", x))
    power = t.fused(t.number(4.0), quarter, t.number(1.0))
    half = t.fused(t.number(2.0), quarter, t.number(0.5))
    return t.add(half, t.divide(t.number(0.5), power))


def power_of_two(t: VectorText, x: str) -> str:
    """2 to the power of x, subnormal results too."""
    limited = t.select(t.compare("olt", x, t.number(-1100.0)), t.number(-1100.0), x)
    limited = t.select(t.compare("ogt", limited, t.number(1100.0)), t.number(1100.0), limited)
    whole, word = _nearest(t, limited)
    r = t.multiply(t.subtract(limited, whole), t.number(math.log(2.0)))
    series = polynomial(t, r, [1.0 / math.factorial(n) for n in range(_TERMS)])
    half = t.on_words("ashr", word, t.word(1))
    rest = _whole_power(t, t.on_words("sub", word, half))
    return t.multiply(t.multiply(series, _whole_power(t, half)), rest)


def logarithm_of_more(t: VectorText, x: str) -> str:
    """log(1 + x); minus infinity at -1, not a number below."""
    u = t.add(x, t.number(1.0))
    back = t.subtract(u, x)
    # what u lacks of 1 + x
    lost = t.add(t.subtract(x, t.subtract(u, back)), t.subtract(t.number(1.0), back))
    k, f = exponent_and_rest(t, u)
    result = joined_logarithm(t, k, f, t.fused(k, t.number(LN2_LOW), t.divide(lost, u)))
    none = t.select(t.compare("oeq", u, t.number(0.0)), t.number(-math.inf), t.number(math.nan))
    result = t.select(t.compare("ogt", u, t.number(0.0)), result, none)
    same = t.logical("or", t.compare("oeq", x, t.number(0.0)), t.compare("oeq", x, t.number(math.inf)))
    return t.select(same, x, result)


def logarithm_to_base_two(t: VectorText, x: str) -> str:
    """log2(x), of subnormal numbers too; exact at powers of two."""
    small = t.compare("olt", x, t.number(_SMALLEST_NORMAL))
    k, f = exponent_and_rest(t, t.select(small, t.multiply(x, t.number(2.0**54)), x))
    rest = t.multiply(joined_logarithm(t, t.number(0.0), f, t.number(0.0)), t.number(1.0 / math.log(2.0)))
    result = t.add(t.subtract(k, t.select(small, t.number(54.0), t.number(0.0))), rest)
    result = t.select(t.compare("oeq", x, t.number(math.inf)), x, result)
    none = t.select(t.compare("oeq", x, t.number(0.0)), t.number(-math.inf), t.number(math.nan))
    return t.select(t.compare("ogt", x, t.number(0.0)), result, none)


def cube_root(t: VectorText, x: str) -> str:
    """Cube root of any number: by its logarithm, then one step of Newton."""
    size = t.unary("fabs", x)
    small = t.compare("olt", size, t.number(_SMALLEST_NORMAL))
    scaled = t.select(small, t.multiply(size, t.number(2.0**54)), size)
    y = exponential(t, t.multiply(logarithm(t, scaled), t.number(1.0 / 3.0)))
    step = t.multiply(t.subtract(t.divide(scaled, t.multiply(y, y)), y), t.number(1.0 / 3.0))
    y = t.add(y, step)
    y = t.with_sign_of(t.select(small, t.multiply(y, t.number(2.0**-18)), y), x)
    # 0, infinity, and what is not a number, are their own roots
    ordinary = t.logical(
        "and", t.compare("ogt", size, t.number(0.0)), t.compare("olt", size, t.number(math.inf))
    )
    return t.select(ordinary, y, x)
