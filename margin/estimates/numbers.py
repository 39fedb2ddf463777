"""Formatting of single numbers: a unit, an interval, and the digits that the interval supports.

The last digit shown is that of the first significant digit of the half-width of the interval (JCGM 100, 7.2.6
allows at most two), but never less than two significant digits of the number itself. Ends of an interval are rounded
outwards: what is shown contains what was estimated. Numbers of one column share a format: `number_columns`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Decimal

NOT_DETERMINED = "not determined"
BELOW_RESOLUTION = "below resolution"
NO_REASON = "too few draws"

_PREFIXES = {-12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}
_SHOWN_UNITS = {"ohm": "Ω", "degC": "°C", "delta_degC": "K"}
_LARGEST_PREFIX = {"N": 6, "V": 6, "A": 3, "ohm": 9, "S": 3, "Hz": 9, "W": 6, "F": 0, "Pa": 9, "s": 0, "m": 3}
_LEAST_PREFIXED = 1e-15
"""A thousandth of the smallest prefix; what is less is the rounding error of a zero in the plain unit."""
_EXACT_DIGITS = 4
_MOST_DIGITS = 6
_FEWEST_DIGITS = 2
_PER_CENT_FROM = 0.9995e-3
_NOTHING = 1e-6
"""A number below this part of the half-width of its interval is a zero: it has no digits of its own."""
NUMERICAL_ZERO = 1e-9
"""A number smaller than this in the unit shown is the rounding error of a zero."""
_SPACE = "\N{NO-BREAK SPACE}"


@dataclass(frozen=True)
class Scale:
    """A unit as shown: numbers in the base unit are multiplied by `factor`."""

    factor: float
    unit: str


def unit_shown(unit: str) -> str:
    """The unit as a reader expects it ('ohm' becomes 'Ω')."""
    return _SHOWN_UNITS.get(unit, unit)


def scale_for(values: tuple[float, ...] | list[float], unit: str) -> Scale:
    """The engineering prefix that suits the largest finite magnitude of `values`, given in `unit`.

    A reciprocal unit is a relative change: '1/K' becomes ppm/K, or %/K from 0.1 %/K on.
    """
    largest = max((abs(value) for value in values if math.isfinite(value)), default=0.0)
    if unit.startswith("1/"):
        small = 0.0 < largest < _PER_CENT_FROM
        return Scale(1e6 if small else 1e2, f"{'ppm' if small else '%'}{unit[1:]}")
    if unit not in _LARGEST_PREFIX:
        return Scale(1.0, unit_shown(unit))
    exponent = 0
    if largest >= _LEAST_PREFIXED:
        rounded_up = float(f"{largest:.3g}")
        exponent = 3 * math.floor(math.log10(rounded_up) / 3.0)
    exponent = min(max(exponent, -12), _LARGEST_PREFIX[unit])
    return Scale(10.0**-exponent, _PREFIXES[exponent] + unit_shown(unit))


def first_digit(value: float) -> int:
    """Power of ten of the first significant digit of a number other than zero."""
    return math.floor(math.log10(abs(value)))


def digit_supported(low: float, high: float) -> int | None:
    """Power of ten of the last digit that the interval supports; None for an interval without width."""
    half_width = _clean((high - low) / 2.0)
    if half_width <= 0.0:
        return None
    return max(first_digit(half_width), first_digit(max(abs(low), abs(high))) - _MOST_DIGITS + 1)


def last_digit(value: float, low: float, high: float) -> int | None:
    """Power of ten of the last digit shown of a number; None for an interval without width.

    That which the interval supports, and at least two significant digits of the number.
    """
    supported = digit_supported(low, high)
    if supported is None or not told_from_zero(value, low, high):
        return supported
    return min(supported, first_digit(value) - _FEWEST_DIGITS + 1)


def told_from_zero(value: float, low: float, high: float, part: float = _NOTHING) -> bool:
    """Whether a number is at least `part` of the half-width of its interval, and not zero."""
    return value != 0.0 and abs(value) >= part * (high - low) / 2.0


def plain(
    value: float, unit: str = "", digits: int = 3, *, scale: Scale | None = None, reason: str = NO_REASON
) -> str:
    """A number without an interval to `digits` significant digits, trailing zeros dropped: '4.7 kΩ'."""
    if not math.isfinite(value):
        return not_determined(reason)
    scale = scale or scale_for([value], unit)
    return join(_significant(_clean(value * scale.factor), digits), scale.unit)


def _significant(value: float, digits: int) -> str:
    """`value` to so many significant digits, trailing zeros dropped; an exponent only below 1e-6 and from 1e9 on."""
    if abs(value) < NUMERICAL_ZERO:
        return "0"
    if not 1e-6 <= abs(value) < 1e9:
        mantissa, exponent = f"{value:.{digits - 1}e}".split("e")
        mantissa = mantissa.rstrip("0").rstrip(".") if "." in mantissa else mantissa
        return f"{mantissa}e{int(exponent)}"
    text = fixed(value, first_digit(value) - digits + 1, ROUND_HALF_EVEN)
    return text.rstrip("0").rstrip(".") if "." in text else text


def stated_range(low: float, high: float, unit: str = "") -> tuple[str, str]:
    """Both ends of a range in the unit of the upper one, which alone carries it: ('2', '60 N')."""
    scale = scale_for([low, high], unit)
    return plain(low, scale=Scale(scale.factor, ""), digits=_EXACT_DIGITS), plain(
        high, scale=scale, digits=_EXACT_DIGITS
    )


def with_interval(
    value: float,
    low: float,
    high: float,
    unit: str = "",
    *,
    scale: Scale | None = None,
    signed: bool = False,
    reason: str = NO_REASON,
) -> str:
    """A number and its interval: '12.3 N (12.1 to 12.6 N)'."""
    if not _finite(value, low, high):
        return not_determined(reason)
    scale = scale or scale_for([value, low, high], unit)
    shown = value_only(value, low, high, unit, scale=scale, signed=signed)
    bottom, top = low * scale.factor, high * scale.factor
    last, supported = last_digit(value * scale.factor, bottom, top), digit_supported(bottom, top)
    if last is not None and supported is not None:
        last = max(last, supported - 1)  # two digits of the half-width at most
    return f"{shown} ({join(_ends(low, high, scale.factor, last, signed), scale.unit)})"


def value_only(
    value: float,
    low: float,
    high: float,
    unit: str = "",
    *,
    scale: Scale | None = None,
    signed: bool = False,
    reason: str = NO_REASON,
) -> str:
    """A number to the digits that its interval supports, for places where the interval stands beside it."""
    if not _finite(value, low, high):
        return not_determined(reason)
    scale = scale or scale_for([value, low, high], unit)
    last = last_digit(value * scale.factor, low * scale.factor, high * scale.factor)
    return join(with_sign(written(value * scale.factor, last, ROUND_HALF_EVEN), signed), scale.unit)


def interval(
    low: float,
    high: float,
    unit: str = "",
    *,
    scale: Scale | None = None,
    signed: bool = False,
    reason: str = NO_REASON,
) -> str:
    """The ends of an interval, rounded outwards: '12.1 to 12.6 N'."""
    if not _finite(low, high):
        return not_determined(reason)
    scale = scale or scale_for([low, high], unit)
    last = digit_supported(low * scale.factor, high * scale.factor)
    return join(_ends(low, high, scale.factor, last, signed), scale.unit)


def _ends(low: float, high: float, factor: float, last: int | None, signed: bool) -> str:
    bottom = with_sign(written(low * factor, last, ROUND_FLOOR), signed)
    top = with_sign(written(high * factor, last, ROUND_CEILING), signed)
    return f"{bottom} to {top}"


def percent(value: float, of: str = "", digits: int = 3, *, reason: str = NO_REASON) -> str:
    """A share without an interval as a percentage of something named: '1.5 % of span'."""
    return plain(value, digits=digits, scale=Scale(100.0, f"% of {of}" if of else "%"), reason=reason)


def share_value(value: float, low: float, high: float, *, reason: str = NO_REASON) -> str:
    """A share as a percentage to the digits that its interval supports; 100 % and 0 % only where it is just that."""
    if not _finite(value, low, high):
        return not_determined(reason)
    return join(written(100.0 * value, share_digit(value, low, high), ROUND_HALF_EVEN), "%")


def share_interval(low: float, high: float, *, reason: str = NO_REASON) -> str:
    """The interval of a share as percentages."""
    return interval(low, high, scale=Scale(100.0, "%"), reason=reason)


def share_digit(value: float, low: float, high: float) -> int | None:
    """Power of ten of the last digit of a percentage; fine enough that a share below 1 stays below 100 %."""
    last = last_digit(100.0 * value, 100.0 * low, 100.0 * high)
    missing = _clean(100.0 * (1.0 - value))
    return last if last is None or missing <= NUMERICAL_ZERO else min(last, first_digit(missing))


def lower_bound(
    bound: float, low: float, high: float, *, target: float | None = None, reason: str = NO_REASON
) -> str:
    """A lower bound on a share as a percentage, rounded down to the digits that the interval supports.

    target  share that the bound is held against: its own digits are kept, so that what is shown reaches it
            where the bound does, and only there
    """
    if not _finite(bound, low, high):
        return not_determined(reason)
    last = last_digit(100.0 * bound, 100.0 * low, 100.0 * high)
    if last is not None and target is not None:
        last = min(last, stated_digit(100.0 * target))
    return join(written(100.0 * bound, last, ROUND_FLOOR), "%")


def change(
    value: float,
    low: float,
    high: float,
    unit: str = "",
    *,
    resolved: bool = True,
    scale: Scale | None = None,
    reason: str = NO_REASON,
) -> str:
    """A signed change with its interval, or 'below resolution' where the interval contains zero."""
    if not _finite(value, low, high):
        return not_determined(reason)
    scale = scale or scale_for([value, low, high], unit)
    if resolved and not low <= 0.0 <= high:
        return with_interval(value, low, high, unit, scale=scale, signed=True)
    widest = max(abs(low), abs(high)) * scale.factor
    if widest == 0.0:
        return BELOW_RESOLUTION
    limit = written(widest, first_digit(widest) - 1, ROUND_CEILING)
    return f"{BELOW_RESOLUTION} (within ±{join(limit, scale.unit)})"


def not_determined(reason: str) -> str:
    """What stands in the place of a number that there is none of."""
    return f"{NOT_DETERMINED} ({reason})"


def count(number: int) -> str:
    """A whole number with its digits in groups of three (ISO 80000-1, 7.3.1; from memory)."""
    return f"{number:,}".replace(",", _SPACE)


def _finite(*numbers: float) -> bool:
    return all(math.isfinite(number) for number in numbers)


def _clean(value: float) -> float:
    """Without the last bits that a change of unit disturbs, so that 30.000000000000004 does not round up."""
    return float(f"{value:.12g}")


def stated_digit(stated: float) -> int:
    """Power of ten of the last digit of a stated number, at most that of the units: -1 for 99.5, 0 for 90."""
    exponent = Decimal(repr(_clean(stated))).normalize().as_tuple().exponent
    return min(int(exponent), 0)


def written(value: float, last: int | None, rounding: str) -> str:
    """`value` to the digit 10**last; to a few significant digits where the interval has no width."""
    if last is not None:
        return fixed(_clean(value), last, rounding)
    return _significant(_clean(value), _EXACT_DIGITS)


def fixed(value: float, last: int, rounding: str) -> str:
    """`value` rounded to the digit 10**last, without an exponent or a negative zero."""
    rounded = Decimal(repr(value)).quantize(Decimal(1).scaleb(last), rounding=rounding)
    if rounded == 0:
        rounded = abs(rounded)
    return f"{rounded:f}" if last <= 0 else str(int(rounded))


def with_sign(text: str, signed: bool) -> str:
    """The number with '+' where it is above zero and `signed`."""
    if not signed or text.startswith("-") or not any(digit in text for digit in "123456789"):
        return text
    return f"+{text}"


def join(text: str, unit: str) -> str:
    """Number and unit with a space that no line breaks at."""
    return f"{text}{_SPACE}{unit}" if unit else text
