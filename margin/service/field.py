"""What can be done in the field about ageing: a new zero, a recalibration by one or two loads, and what each costs."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

from margin.calibration.cost import seconds_per_unit
from margin.case.build import nominal_element
from margin.case.types import CalibrationSpec, Case
from margin.estimates import numbers
from margin.service.followed import Course

ENDS = (0.1, 0.9)
"""Loads of a two-point recalibration, shares of the load range; one point lies in its middle."""


@dataclass(frozen=True)
class Action:
    """An action in the field.

    name     of it; what: in words
    course   of service with it
    times    it is done until the last age; None: before every reading
    seconds  a unit each time, of handling, loads and samples
    """

    name: str
    what: str
    course: Course
    times: int | None
    seconds: float

    @property
    def total(self) -> float | None:
        """s a unit until the last age; None for what is done before every reading."""
        return None if self.times is None else self.times * self.seconds


def actions_of(
    case: Case, option: CalibrationSpec, ages: Sequence[float], every: float
) -> tuple[Action, ...]:
    """Actions for units calibrated by `option`, the recalibrations every so many hours."""
    low, high = case.load_low, case.load_high
    one = (0.5 * (low + high),)
    two = tuple(low + share * (high - low) for share in ENDS)
    station = nominal_element(case.elements["station"])
    since = tuple(last_before(age, every) for age in ages)
    times = max(math.ceil(ages[-1] / every - 1e-9) - 1, 0)
    found = []
    if (not option.rezero or option.rezero_every) and (case.history is None or case.history.loads[0] == 0.0):
        kind = "none" if option.kind == "tare" else option.kind
        zeroed = dataclasses.replace(option, kind=kind, tare=False, rezero=True, rezero_every=0.0)
        seconds = option.samples * float(station.seconds_per_sample)
        what = "a new zero before each placement of the load"
        found.append(Action("re-zero", what, Course("re-zero", zeroed), None, seconds))
    for name, kind, loads in (("one-point", "one-point", one), ("two-point", "two-point", two)):
        spec = CalibrationSpec(
            f"{name} in the field",
            kind,
            loads=loads,
            temperature_correction=option.temperature_correction,
        )
        shown = " and ".join(numbers.plain(load, "N", digits=4) for load in loads)
        what = f"recalibrated by {shown}"
        course = Course(name, option, spec, since)
        cost = seconds_per_unit(spec, station, case.study.units_per_lot)
        found.append(Action(f"{name} recalibration", what, course, times, cost))
    return tuple(found)


def last_before(age: float, every: float) -> float:
    """Age at the last recalibration before an age, h: one due at that age has not been made yet. 0: none.

    >>> last_before(1000.0, 1000.0), last_before(1000.5, 1000.0)
    (0.0, 1000.0)
    """
    return every * max(math.ceil(age / every - 1e-9) - 1, 0)
