"""Tests that show a reliability over one life, side by side, and what a finished one shows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from distributions.errors import InvalidArgument
from margin.service.acceleration import arrhenius_factor
from margin.service.qualification import reliability_shown, units_needed


@dataclass(frozen=True)
class FinishedTest:
    """Units tested, failures among them, duration in lives, and the reliability shown at the confidence."""

    units: int
    failed: int
    duration: float
    shown: float


@dataclass(frozen=True)
class Acceleration:
    """A test at another temperature than that of service, degC, by an activation energy, eV.

    >>> round(Acceleration(0.7, 55.0, 125.0).factor)
    78
    """

    activation_energy: float
    in_service: float
    in_test: float

    @property
    def factor(self) -> float:
        """By how much the test ages faster, `arrhenius_factor`."""
        return arrhenius_factor(self.activation_energy, self.in_service, self.in_test)


@dataclass(frozen=True)
class TestPlans:
    """Tests that show that a share of units lives.

    shape         of the Weibull distribution of lives; None where every test lasts one life
    table         duration, failures, units and unit_lives, one row a test; lives by the clock of the test
    acceleration  of the test; None at the temperature of service
    """

    __test__ = False

    reliability: float
    confidence: float
    shape: float | None
    table: pd.DataFrame
    finished: FinishedTest | None = None
    acceleration: Acceleration | None = None


def plans_of(
    reliability: float,
    confidence: float,
    shape: float | None,
    durations: Sequence[float],
    failures: Sequence[int],
    tested: tuple[int, int, float] | None,
    acceleration: Acceleration | None = None,
) -> TestPlans:
    """Plans for every duration and number of allowed failures; tested: units, failures and duration of a finished test.

    durations  in lives, by the clock of the test; an accelerated one then counts as `factor` times as many lives

    InvalidArgument for values out of their range, and for a test of other than one life without a shape.
    """
    factor = 1.0 if acceleration is None else acceleration.factor
    lasting = (*durations, *(tested[2:] if tested is not None else ()))
    for each in lasting:
        if not (math.isfinite(each) and each > 0.0):
            raise InvalidArgument(
                f"the duration is {each:g}; state lives of the test, above 0 and finite, such as 1"
            )
        if shape is None and not math.isclose(each * factor, 1.0, rel_tol=1e-9):
            ages = "" if acceleration is None else f", which counts as {each * factor:.3g} lives"
            raise InvalidArgument(
                f"the duration is {each:g}{ages}: a test of another duration than one life needs the shape of the "
                f"distribution of lives; state it, such as 1.7, or a duration of {1.0 / factor:.9g}"
            )
    known = 1.0 if shape is None else shape

    def counted(duration: float) -> float:
        """Lives of service; one life exactly where rounding alone tells them apart."""
        lives = duration * factor
        return 1.0 if math.isclose(lives, 1.0, rel_tol=1e-9) else lives

    rows = [
        (
            each,
            allowed,
            units_needed(reliability, confidence, failures=allowed, duration=counted(each), shape=known),
        )
        for each in durations
        for allowed in failures
    ]
    table = pd.DataFrame(rows, columns=["duration", "failures", "units"])
    table["unit_lives"] = table["duration"] * table["units"]
    finished = None
    if tested is not None:
        units, failed, duration = tested
        shown = reliability_shown(units, confidence, failures=failed, duration=counted(duration), shape=known)
        finished = FinishedTest(units, failed, duration, shown)
    return TestPlans(reliability, confidence, shape, table, finished, acceleration)
