"""Temperatures for which a case states what its units do."""

from __future__ import annotations

import math

from margin.case.types import Case, Quantity

RARE = 1e-3
"""Chance of a temperature beyond either end of a spread without limits."""


def stated_temperatures(case: Case) -> tuple[float, float]:
    """Lowest and highest temperature, degC, of use, calibration, design curve and nominal values.

    >>> import margin
    >>> case = margin.change("case.toml", {"use.temperature": "5 degC to 40 degC"})
    >>> [round(end) for end in stated_temperatures(case)]
    [5, 40]
    """
    use, station = (case.elements[role].quantities["temperature"] for role in ("use", "station"))
    own = [each.quantities.get("temperature") for each in case.conditions]
    stated: list[Quantity] = [station, *(quantity for quantity in own if quantity is not None)]
    if not own or None in own:
        stated.append(use)
    ends = [end for quantity in stated for end in _ends(quantity)]
    ends += [case.design_curve.temperature, case.reference_temperature]
    return min(ends), max(ends)


def _ends(quantity: Quantity) -> tuple[float, float]:
    low = high = quantity.nominal
    for spread in quantity.spreads:
        scale = abs(quantity.nominal) if spread.relative else 1.0
        ends = [
            end if math.isfinite(end) else float(spread.distribution.ppf(chance))
            for end, chance in zip(spread.distribution.support, (RARE, 1.0 - RARE), strict=True)
        ]
        low, high = low + scale * ends[0], high + scale * ends[1]
    return low, high
