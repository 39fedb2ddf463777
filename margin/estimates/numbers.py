"""How numbers are written: a unit, an interval, and no more digits than the interval supports.

The last digit shown is that of the first significant digit of the half-width of the interval (JCGM 100, 7.2.6
allows at most two). Ends of an interval are rounded outwards: what is shown contains what was estimated.
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
_EXACT_DIGITS = 4
_MOST_DIGITS = 6
_PPM_FROM = 0.999
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
    """The engineering prefix that suits the largest finite magnitude of `values`, given in `unit`."""
    if unit not in _LARGEST_PREFIX:
        return Scale(1.0, unit_shown(unit))
    largest = max((abs(value) for value in values if math.isfinite(value)), default=0.0)
    exponent = 0
    if largest > 0.0:
        rounded_up = float(f"{largest:.3g}")
        exponent = 3 * math.floor(math.log10(rounded_up) / 3.0)
    exponent = min(max(exponent, -12), _LARGEST_PREFIX[unit])
    return Scale(10.0**-exponent, _PREFIXES[exponent] + unit_shown(unit))


def digit_supported(low: float, high: float) -> int | None:
    """Power of ten of the last digit that the interval supports; None for an interval without width."""
    half_width = _clean((high - low) / 2.0)
    if half_width <= 0.0:
        return None
    last = math.floor(math.log10(half_width))
    first = math.floor(math.log10(max(abs(low), abs(high))))
    return max(last, first - _MOST_DIGITS + 1)


def plain(
    value: float, unit: str = "", digits: int = 3, *, scale: Scale | None = None, reason: str = NO_REASON
) -> str:
    """A number without an interval to `digits` significant digits, trailing zeros dropped: '4.7 kΩ'."""
    if not math.isfinite(value):
        return not_determined(reason)
    scale = scale or scale_for([value], unit)
    scaled = _clean(value * scale.factor)
    if scaled != 0.0 and not 1e-4 <= abs(scaled) < 1e6:
        mantissa, exponent = f"{scaled:.{digits - 1}e}".split("e")
        mantissa = mantissa.rstrip("0").rstrip(".") if "." in mantissa else mantissa
        return _join(f"{mantissa}e{int(exponent)}", scale.unit)
    last = 0 if scaled == 0.0 else math.floor(math.log10(abs(scaled))) - digits + 1
    text = _fixed(scaled, last, ROUND_HALF_EVEN)
    return _join(text.rstrip("0").rstrip(".") if "." in text else text, scale.unit)


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
    return f"{shown} ({interval(low, high, unit, scale=scale, signed=signed)})"


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
    last = digit_supported(low * scale.factor, high * scale.factor)
    return _join(_signed(_written(value * scale.factor, last, ROUND_HALF_EVEN), signed), scale.unit)


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
    bottom = _signed(_written(low * scale.factor, last, ROUND_FLOOR), signed)
    top = _signed(_written(high * scale.factor, last, ROUND_CEILING), signed)
    return _join(f"{bottom} to {top}", scale.unit)


def percent(value: float, of: str = "", digits: int = 3, *, reason: str = NO_REASON) -> str:
    """A share without an interval as a percentage of something named: '1.5 % of span'."""
    return plain(value, digits=digits, scale=Scale(100.0, f"% of {of}" if of else "%"), reason=reason)


def share(value: float, low: float, high: float, *, reason: str = NO_REASON) -> str:
    """A share that conforms with its interval; close to 1 as the failing parts per million."""
    if not _finite(value, low, high):
        return not_determined(reason)
    if low >= _PPM_FROM and value >= 1.0:
        return f"no failure seen ({share_interval(low, high)})"
    return f"{share_value(value, low, high)} ({share_interval(low, high)})"


def share_value(value: float, low: float, high: float, *, reason: str = NO_REASON) -> str:
    """The number alone of `share`."""
    if not _finite(value, low, high):
        return not_determined(reason)
    if low < _PPM_FROM:
        return value_only(value, low, high, scale=Scale(100.0, "%"))
    if value >= 1.0:
        return "none fails"
    return value_only(1.0 - value, 1.0 - high, 1.0 - low, scale=Scale(1e6, f"ppm{_SPACE}fail"))


def share_interval(low: float, high: float, *, reason: str = NO_REASON) -> str:
    """The interval alone of `share`."""
    if not _finite(low, high):
        return not_determined(reason)
    if low < _PPM_FROM:
        return interval(low, high, scale=Scale(100.0, "%"))
    return interval(1.0 - high, 1.0 - low, scale=Scale(1e6, "ppm"))


def share_range(low: float, high: float, sampled_low: float, sampled_high: float) -> str:
    """A range of a share over draws: no more digits than its width, or the sampled interval, supports."""
    if not _finite(low, high, sampled_low, sampled_high):
        return not_determined(NO_REASON)
    widths = (low, high), (sampled_low, sampled_high)
    digits = [digit_supported(100.0 * bottom, 100.0 * top) for bottom, top in widths]
    last = max((digit for digit in digits if digit is not None), default=None)
    bottom, top = _written(100.0 * low, last, ROUND_FLOOR), _written(100.0 * high, last, ROUND_CEILING)
    return _join(f"{bottom} to {top}", "%")


def lower_bound(
    bound: float, low: float, high: float, *, target: float | None = None, reason: str = NO_REASON
) -> str:
    """A lower bound on a share as a percentage, rounded down to the digits that the interval supports.

    target  share that the bound is held against: its own digits are kept, so that what is shown reaches it
            where the bound does, and only there
    """
    if not _finite(bound, low, high):
        return not_determined(reason)
    last = digit_supported(100.0 * low, 100.0 * high)
    if last is not None and target is not None:
        last = min(last, _last_digit(100.0 * target))
    return _join(_written(100.0 * bound, last, ROUND_FLOOR), "%")


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
    limit = _written(widest, math.floor(math.log10(widest)) - 1, ROUND_CEILING)
    return f"{BELOW_RESOLUTION} (within ±{_join(limit, scale.unit)})"


def share_change(
    value: float, low: float, high: float, *, resolved: bool = True, unit: str = "points"
) -> str:
    """A change of a share in percentage points, a tiny one in ppm: '+0.8 (+0.7 to +0.9) points'."""
    scale = Scale(100.0, unit)
    if _finite(value, low, high) and 0.0 < max(abs(low), abs(high)) < 1.0 - _PPM_FROM:
        scale = Scale(1e6, "ppm")
    if resolved and not low <= 0.0 <= high:
        bare = Scale(scale.factor, "")
        return _join(with_interval(value, low, high, scale=bare, signed=True), scale.unit)
    return change(value, low, high, resolved=False, scale=scale)


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


def _last_digit(stated: float) -> int:
    """Power of ten of the last digit of a stated number, at most that of the units: -1 for 99.5, 0 for 90."""
    exponent = Decimal(repr(_clean(stated))).normalize().as_tuple().exponent
    return min(int(exponent), 0)


def _written(value: float, last: int | None, rounding: str) -> str:
    """`value` to the digit 10**last; to a few significant digits where the interval has no width."""
    if last is not None:
        return _fixed(_clean(value), last, rounding)
    return plain(value, digits=_EXACT_DIGITS, scale=Scale(1.0, ""))


def _fixed(value: float, last: int, rounding: str) -> str:
    rounded = Decimal(repr(value)).quantize(Decimal(1).scaleb(last), rounding=rounding)
    if rounded == 0:
        rounded = abs(rounded)
    return f"{rounded:f}" if last <= 0 else str(int(rounded))


def _signed(text: str, signed: bool) -> str:
    if not signed or text.startswith("-") or not any(digit in text for digit in "123456789"):
        return text
    return f"+{text}"


def _join(text: str, unit: str) -> str:
    return f"{text}{_SPACE}{unit}" if unit else text
