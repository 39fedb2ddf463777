"""Preferred numbers of resistors and capacitors, IEC 60063:2015."""

from __future__ import annotations

import math

E24 = (
    1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0,
    3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1,
)  # fmt: skip
"""Series E24 of a decade, IEC 60063, from memory: 2.7 to 4.7 and 8.2 depart from the rounded powers of ten."""


def e24_near(value: float, steps: int = 0) -> float:
    """Value of E24 nearest to `value` by ratio, or so many steps of the series above (below) it.

    Raises ValueError for a value that is not positive and finite.
    """
    if not (value > 0.0 and math.isfinite(value)):
        raise ValueError(f"a preferred value must be positive and finite (got {value})")
    decade = math.floor(math.log10(value))
    near = range(24 * (decade - 1), 24 * (decade + 2))
    place = min(near, key=lambda k: abs(math.log(_at(k) / value)))
    return _at(place + steps)


def _at(place: int) -> float:
    decade, number = divmod(place, 24)
    return float(f"{E24[number]}e{decade}")
