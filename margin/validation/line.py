"""One comparison of the validation, as data."""

from __future__ import annotations

import math
from dataclasses import dataclass

ROUNDING = 1e-9
"""Relative; of numbers that are computed and not drawn."""


@dataclass(frozen=True)
class Line:
    """One quantity: its exact value, and what the program makes of it.

    family    heading under which the line stands
    what      quantity and case
    source    of the expected value
    expected  exact value
    computed  value by the program, in an interval from `low` to `high`
    """

    family: str
    what: str
    source: str
    expected: float
    computed: float
    low: float
    high: float

    @property
    def agrees(self) -> bool:
        """Whether the interval contains the exact value; False where a number is missing."""
        return bool(math.isfinite(self.computed) and self.low <= self.expected <= self.high)


def without_draws(family: str, what: str, source: str, expected: float, computed: float) -> Line:
    """A line of a number that is computed and not drawn: it may differ by rounding alone."""
    slack = ROUNDING * abs(computed)
    return Line(family, what, source, expected, computed, computed - slack, computed + slack)
