"""Tests that show a reliability over one life, side by side, and what a finished one shows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from distributions.errors import InvalidArgument
from margin.service.qualification import reliability_shown, units_needed


@dataclass(frozen=True)
class FinishedTest:
    """Units tested, failures among them, duration in lives, and the reliability shown at the confidence."""

    units: int
    failed: int
    duration: float
    shown: float


@dataclass(frozen=True)
class TestPlans:
    """Tests that show that a share of units lives.

    shape  of the Weibull distribution of lives; None where every test lasts one life
    table  duration, failures, units and unit_lives, one row a test
    """

    __test__ = False

    reliability: float
    confidence: float
    shape: float | None
    table: pd.DataFrame
    finished: FinishedTest | None = None


def plans_of(
    reliability: float,
    confidence: float,
    shape: float | None,
    durations: Sequence[float],
    failures: Sequence[int],
    tested: tuple[int, int, float] | None,
) -> TestPlans:
    """Plans for every duration and number of allowed failures; tested: units, failures and duration of a finished test.

    InvalidArgument for values out of their range, and for a duration other than 1 without a shape.
    """
    lasting = (*durations, *(tested[2:] if tested is not None else ()))
    for each in lasting:
        if not (math.isfinite(each) and each > 0.0):
            raise InvalidArgument(
                f"the duration is {each:g}; state lives of the test, above 0 and finite, such as 1"
            )
        if shape is None and each != 1.0:
            raise InvalidArgument(
                f"the duration is {each:g}: a test of another duration than one life needs the shape of the "
                "distribution of lives; state it, such as 1.7, or a duration of 1"
            )
    known = 1.0 if shape is None else shape
    rows = [
        (each, allowed, units_needed(reliability, confidence, failures=allowed, duration=each, shape=known))
        for each in durations
        for allowed in failures
    ]
    table = pd.DataFrame(rows, columns=["duration", "failures", "units"])
    table["unit_lives"] = table["duration"] * table["units"]
    finished = None
    if tested is not None:
        units, failed, duration = tested
        shown = reliability_shown(units, confidence, failures=failed, duration=duration, shape=known)
        finished = FinishedTest(units, failed, duration, shown)
    return TestPlans(reliability, confidence, shape, table, finished)
