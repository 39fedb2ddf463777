"""Tangent and arc tangents of vectors, and remainders, to a few units in the last place.

Tangent: Taylor series of sine and cosine after reduction in three parts (Cody and Waite, Software Manual for the
Elementary Functions, 1980). Arc tangent: reduction to 7/16 and minimax polynomial of the freely distributable
mathematics library (Sun Microsystems, 1993), from memory, checked against numpy in the tests. Remainders are exact:
a fused product leaves what the whole quotient does not take.
"""

from __future__ import annotations

import math

from margin.backends.compiled.vector_functions import HALF_PI_LOW, MAGIC, PI_PARTS, polynomial
from margin.backends.compiled.vector_text import VectorText

LARGEST_ANGLE = 2.0**27
"""rad; of larger ones the reduction in three parts knows too few bits."""

LARGEST_QUOTIENT = 2.0**52
"""Larger ones have no whole part of their own in a double."""

_TERMS = 10
_ARC_TANGENT = (
    3.33333333333329318027e-01, -1.99999999998764832476e-01, 1.42857142725034663711e-01, -1.11111104054623557880e-01,
    9.09088713343650656196e-02, -7.69187620504482999495e-02, 6.66107313738753120669e-02, -5.83357013379057348645e-02,
    4.97687799461593236017e-02, -3.65315727442169155270e-02, 1.62858201153657823623e-02,
)  # fmt: skip
_CENTRES = (
    (7.0 / 16.0, 0.5, 4.63647609000806093515e-01, 2.26987774529616870924e-17),
    (11.0 / 16.0, 1.0, 7.85398163397448278999e-01, 3.06161699786838301793e-17),
    (19.0 / 16.0, 1.5, 9.82793723247329054082e-01, 1.39033110312309984516e-17),
)
"""From where on an arc is told from that of a number: the number, its arc, and what that lacks."""
_FAR = 39.0 / 16.0


def tangent(t: VectorText, x: str) -> str:
    """tan(x), for |x| up to `LARGEST_ANGLE`."""
    shifted = t.fused(x, t.number(2.0 / math.pi), t.number(MAGIC))
    whole = t.subtract(shifted, t.number(MAGIC))
    r = x
    for part in PI_PARTS:
        r = t.fused(whole, t.number(-0.5 * part), r)
    z = t.multiply(r, r)
    above = t.multiply(r, polynomial(t, z, [(-1.0) ** n / math.factorial(2 * n + 1) for n in range(_TERMS)]))
    below = polynomial(t, z, [(-1.0) ** n / math.factorial(2 * n) for n in range(_TERMS)])
    last = t.on_words("and", t.bits(shifted), t.word(1))
    even = t.new(f"icmp eq {t.words} {last}, zeroinitializer")
    turned = t.multiply(t.number(-1.0), below)
    return t.divide(t.select(even, above, turned), t.select(even, below, above))


def arc_tangent(t: VectorText, x: str) -> str:
    """arctan(x)."""
    size = t.unary("fabs", x)
    above, below = size, t.number(1.0)
    arc, low = t.number(0.0), t.number(0.0)
    for first, centre, at, lacks in _CENTRES:
        beyond = t.compare("oge", size, t.number(first))
        above = t.select(beyond, t.subtract(size, t.number(centre)), above)
        below = t.select(beyond, t.fused(size, t.number(centre), t.number(1.0)), below)
        arc, low = t.select(beyond, t.number(at), arc), t.select(beyond, t.number(lacks), low)
    far = t.compare("oge", size, t.number(_FAR))
    above, below = t.select(far, t.number(-1.0), above), t.select(far, size, below)
    arc = t.select(far, t.number(0.5 * math.pi), arc)
    low = t.select(far, t.number(HALF_PI_LOW), low)
    r = t.divide(above, below)
    z = t.multiply(r, r)
    series = t.multiply(z, polynomial(t, z, _ARC_TANGENT))
    lost = t.subtract(t.subtract(t.multiply(r, series), low), r)
    return t.with_sign_of(t.subtract(arc, lost), x)


def arc_tangent_of_two(t: VectorText, y: str, x: str) -> str:
    """arctan2(y, x): the angle of a point, with the signs of zeros and the infinities as numpy has them."""
    above, below = t.unary("fabs", y), t.unary("fabs", x)
    infinite, zero = t.number(math.inf), t.number(0.0)
    ratio = t.divide(above, below)
    both = t.logical("and", t.compare("oeq", above, infinite), t.compare("oeq", below, infinite))
    none = t.logical("and", t.compare("oeq", above, zero), t.compare("oeq", below, zero))
    ratio = t.select(none, zero, t.select(both, t.number(1.0), ratio))
    arc = arc_tangent(t, ratio)
    behind = t.subtract(t.number(math.pi), t.subtract(arc, t.number(2.0 * HALF_PI_LOW)))
    negative = t.new(f"icmp slt {t.words} {t.bits(x)}, zeroinitializer")
    return t.with_sign_of(t.select(negative, behind, arc), y)


def _rest_of_sizes(t: VectorText, a: str, b: str) -> str:
    """|a| less the largest whole multiple of |b| in it, for quotients up to `LARGEST_QUOTIENT`."""
    above, below = t.unary("fabs", a), t.unary("fabs", b)
    whole = t.unary("trunc", t.divide(above, below))
    rest = t.fused(whole, t.multiply(t.number(-1.0), below), above)
    # a quotient just below a whole number may be rounded up to it
    rest = t.select(t.compare("olt", rest, t.number(0.0)), t.add(rest, below), rest)
    finite = t.compare("olt", above, t.number(math.inf))
    endless = t.logical("and", finite, t.compare("oeq", below, t.number(math.inf)))
    return t.select(endless, above, rest)


def rest_towards_zero(t: VectorText, a: str, b: str) -> str:
    """fmod(a, b): of the sign of a."""
    return t.with_sign_of(_rest_of_sizes(t, a, b), a)


def remainder(t: VectorText, a: str, b: str) -> str:
    """a % b: of the sign of b."""
    zero = t.number(0.0)
    rest = rest_towards_zero(t, a, b)
    apart = t.logical("xor", t.compare("olt", rest, zero), t.compare("olt", b, zero))
    whole = t.compare("oeq", rest, zero)
    result = t.select(apart, t.add(rest, b), rest)
    return t.select(whole, t.with_sign_of(zero, b), result)


def whole_quotient(t: VectorText, a: str, b: str) -> str:
    """a // b: the largest whole number not above the quotient; infinite or not a number as numpy has them."""
    zero = t.number(0.0)
    rest, ratio = rest_towards_zero(t, a, b), t.divide(a, b)
    apart = t.logical("xor", t.compare("olt", rest, zero), t.compare("olt", b, zero))
    apart = t.logical("and", apart, t.compare("une", rest, zero))
    quotient = t.divide(t.subtract(a, rest), b)
    quotient = t.select(apart, t.subtract(quotient, t.number(1.0)), quotient)
    nearest = t.unary("rint", quotient)
    result = t.select(t.compare("oeq", quotient, zero), t.with_sign_of(zero, ratio), nearest)
    return t.select(t.compare("oeq", b, zero), ratio, result)
