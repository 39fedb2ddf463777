"""Grades in which parts are sold: what the next tighter or looser grade does to a spread."""

from __future__ import annotations

import math
from collections.abc import Sequence

from margin.propagation.factors import Factor

TOLERANCES = (0.0005, 0.001, 0.0025, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2)
"""Usual tolerances of resistors, capacitors and references (IEC 60062, letters W to M, from memory; without its
0.02 %, which few parts have)."""

TEMPERATURE_COEFFICIENTS = (1e-6, 5e-6, 10e-6, 15e-6, 25e-6, 50e-6, 100e-6, 250e-6)
"""Usual temperature coefficients of resistors, 1/K (IEC 60062, colour code, from memory)."""

ALIKE = 1.05
"""A tolerance within this ratio of a grade is that grade."""


def half_width(factor: Factor) -> float:
    """The tolerance that a spread stands for: half its range where it has ends, otherwise two standard deviations
    (common practice, no source)."""
    low, high = factor.distribution.support
    return 0.5 * (high - low) if math.isfinite(high - low) else 2.0 * factor.distribution.sd


def grades_of(factor: Factor) -> tuple[float, float] | None:
    """What the spread is multiplied by one grade tighter, and one looser; None where the factor is no part that
    comes in grades, or where there is no grade on one side."""
    if factor.role != "circuit" or factor.level not in ("lot", "unit") or factor.standardised:
        return None
    if factor.relative:
        series: Sequence[float] = TOLERANCES
    elif factor.quantity.endswith("_tempco"):
        series = TEMPERATURE_COEFFICIENTS
    else:
        return None
    wide = half_width(factor)
    tighter = [grade for grade in series if grade < wide / ALIKE]
    looser = [grade for grade in series if grade > wide * ALIKE]
    return (tighter[-1] / wide, looser[0] / wide) if tighter and looser else None
