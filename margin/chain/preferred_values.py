"""Preferred numbers of resistors and capacitors, IEC 60063:2015, series E3 to E192."""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType

DEPARTURES: Mapping[int, Mapping[float, float]] = MappingProxyType(
    {
        24: {2.6: 2.7, 2.9: 3.0, 3.2: 3.3, 3.5: 3.6, 3.8: 3.9, 4.2: 4.3, 4.6: 4.7, 8.3: 8.2},
        192: {9.19: 9.2},
    }
)
"""Where a series departs from the rounded powers of ten: by numbers in a decade, rounded power to number of the
series (IEC 60063, from memory). E3, E6 and E12 are every eighth, fourth and second number of E24, and depart with it;
E48 and E96 are every fourth and second number of E192, of which 9.20 is none."""


def _decade(numbers: int) -> tuple[float, ...]:
    """A series of so many numbers in a decade: 10^(k / numbers), rounded to two digits up to E24, then to three."""
    finest, digits = (24, 1) if numbers <= 24 else (192, 2)
    step = finest // numbers
    powers = (round(10.0 ** (k / finest), digits) for k in range(0, finest, step))
    return tuple(DEPARTURES[finest].get(power, power) for power in powers)


SERIES: Mapping[str, tuple[float, ...]] = MappingProxyType(
    {f"E{numbers}": _decade(numbers) for numbers in (3, 6, 12, 24, 48, 96, 192)}
)
"""Numbers of a decade from 1 to below 10, by name of the series."""

E24 = SERIES["E24"]


def preferred_near(series: str, value: float, steps: int = 0) -> float:
    """Number of a series nearest to `value` by ratio, or so many steps of the series above (below) it.

    Raises ValueError for an unknown series, and for a value that is not positive and finite.
    """
    numbers = _known(series)
    if not (value > 0.0 and math.isfinite(value)):
        raise ValueError(f"a preferred value must be positive and finite (got {value})")
    decade = math.floor(math.log10(value))
    near = range(len(numbers) * (decade - 1), len(numbers) * (decade + 2))
    place = min(near, key=lambda k: abs(math.log(_at(numbers, k) / value)))
    return _at(numbers, place + steps)


def e24_near(value: float, steps: int = 0) -> float:
    """Number of E24 nearest to `value` by ratio, or so many steps of the series above (below) it."""
    return preferred_near("E24", value, steps)


def preferred_between(series: str, low: float, high: float) -> tuple[float, ...]:
    """Numbers of a series from `low` to `high`, both included where they belong to it, ascending.

    Raises ValueError for an unknown series, and unless 0 < low <= high < infinity.
    """
    numbers = _known(series)
    if not 0.0 < low <= high < math.inf:
        raise ValueError(f"preferred values lie in a range from above 0 upwards (got {low} to {high})")
    first, last = (math.floor(math.log10(end)) for end in (low, high))
    found = (_at(numbers, k) for k in range(len(numbers) * (first - 1), len(numbers) * (last + 2)))
    return tuple(value for value in found if low <= value <= high)


def _known(series: str) -> tuple[float, ...]:
    if series not in SERIES:
        raise ValueError(f"no series {series!r} of preferred values: use one of {', '.join(SERIES)}")
    return SERIES[series]


def _at(numbers: tuple[float, ...], place: int) -> float:
    decade, number = divmod(place, len(numbers))
    return float(f"{numbers[number]}e{decade}")
