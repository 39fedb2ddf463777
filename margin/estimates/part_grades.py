"""Grades in which parts are sold: what the next tighter or looser grade does to a spread."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from margin.chain.parameter import Grades
from margin.propagation.factors import Factor

TOLERANCES = (0.0005, 0.001, 0.0025, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2)
"""Usual tolerances of resistors, capacitors and references (IEC 60062, letters W to M, from memory; without its
0.02 %, which few parts have)."""

TEMPERATURE_COEFFICIENTS = (1e-6, 5e-6, 10e-6, 15e-6, 25e-6, 50e-6, 100e-6, 250e-6)
"""Usual temperature coefficients of resistors, 1/K (IEC 60062, colour code, from memory)."""

_SERIES: Mapping[Grades, Sequence[float]] = {
    "tolerance": TOLERANCES,
    "temperature coefficient": TEMPERATURE_COEFFICIENTS,
}

ALIKE = 1.05
"""A tolerance within this ratio of a grade is that grade."""


def half_width(factor: Factor) -> float:
    """The tolerance that a spread stands for: half its range where it has ends, otherwise two standard deviations
    (common practice, no source)."""
    low, high = factor.distribution.support
    return 0.5 * (high - low) if math.isfinite(high - low) else 2.0 * factor.distribution.sd


def grades_of(factor: Factor) -> tuple[float, float] | None:
    """What the spread is multiplied by one grade tighter, and one looser; None where its field declares no grades,
    or where there is no grade on one side.

    Grades are those of a part: a spread per lot or unit; a tolerance in %, a temperature coefficient in 1/K.
    """
    if factor.grades is None or factor.level not in ("lot", "unit"):
        return None
    if factor.relative != (factor.grades == "tolerance"):
        return None
    series = _SERIES[factor.grades]
    wide = half_width(factor)
    tighter = [grade for grade in series if grade < wide / ALIKE]
    looser = [grade for grade in series if grade > wide * ALIKE]
    return (tighter[-1] / wide, looser[0] / wide) if tighter and looser else None
