"""How long a calibration lasts: where the lower bound of the yield falls below that required, with its interval."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import isotonic_regression

from margin.estimates.yield_result import Estimate

FINER = 8
"""Further ages between those where the yield falls below that required."""


@dataclass(frozen=True)
class RecalibrationInterval:
    """Age up to which the yield stays at or above that required, h; None: to the last age and beyond.

    shown      the last age up to which the lower end of the bound shows it, of those asked for and those looked at
               between them
    estimated  where the bound itself falls below, interpolated (see `falling`); latest: where its upper end does
    """

    shown: float | None
    estimated: float | None
    latest: float | None


def between(bounds: Mapping[float, Estimate], target: float) -> tuple[float, ...]:
    """Ages, h, between those at which the bound of the yield falls below a target: FINER in equal ratios, none without.

    bounds  by age, ascending from 0

    >>> falling = {0.0: Estimate(0.99, 0.99, 0.99), 64.0: Estimate(0.9, 0.9, 0.9), 128.0: Estimate(0.8, 0.8, 0.8)}
    >>> between(falling, 0.95)[0]
    1.0
    """
    ages = list(bounds)
    first = next((k for k, age in enumerate(ages) if bounds[age].low < target), None)
    if first is None or first == 0:
        return ()
    last = next((k for k, age in enumerate(ages) if bounds[age].high < target), len(ages) - 1)
    low, high = ages[first - 1], ages[last]
    start = low if low > 0.0 else min(1.0, 0.5 * high)
    found = np.geomspace(start, high, FINER + 2)[0 if low == 0.0 else 1 : -1]
    return tuple(float(age) for age in found if float(age) not in bounds)


def recalibration_interval(bounds: Mapping[float, Estimate], target: float) -> RecalibrationInterval:
    """How long the yield stays at or above a target, from its bounds by age, h."""
    ages = sorted(bounds)
    low = [bounds[age].low for age in ages]
    below = next((k for k, value in enumerate(low) if value < target), None)
    shown = None if below is None else ages[max(below - 1, 0)]
    estimated = crossing(ages, falling([bounds[age] for age in ages]), target)
    return RecalibrationInterval(shown, estimated, crossing(ages, [bounds[age].high for age in ages], target))


def falling(bounds: Sequence[Estimate]) -> list[float]:
    """Bounds over age, smoothed to values that never rise, where their intervals allow it; else as they are.

    The bounds at single ages scatter, and the first of many to fall below a target lies too early. The nearest values
    by least squares that do not rise: Barlow and others, 'Statistical Inference under Order Restrictions', 1972, 1.2.
    A yield that does rise, as where ageing makes up for an error of new units, leaves its intervals and is kept.

    >>> falling([Estimate(0.93, 0.8, 1.0), Estimate(0.97, 0.9, 1.0), Estimate(0.5, 0.4, 0.6)])
    [0.95, 0.95, 0.5]
    """
    values = [each.value for each in bounds]
    smooth = [float(value) for value in isotonic_regression(values, increasing=False).x]
    held = all(each.low <= value <= each.high for each, value in zip(bounds, smooth, strict=True))
    return smooth if held else values


def crossing(ages: Sequence[float], values: Sequence[float], target: float) -> float | None:
    """Age at which values first fall below a target; 0 where the first does, None where none does.

    Between ages values are taken as linear in the logarithm of 1 h + age. Values that are linear in age, or in a root
    of it, cross later than that.

    >>> round(crossing([0.0, 99.0, 9999.0], [1.0, 0.75, 0.25], 0.5))
    999
    """
    if values[0] < target:
        return 0.0
    for k in range(1, len(ages)):
        if values[k] < target:
            share = (values[k - 1] - target) / (values[k - 1] - values[k])
            start, end = math.log1p(ages[k - 1]), math.log1p(ages[k])
            return math.expm1(start + share * (end - start))
    return None
