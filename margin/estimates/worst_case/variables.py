"""What a corner sets: one number for every factor, in use and again where the calibration draws it afresh."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from distributions import Distribution, StudentT
from distributions.distribution import LARGEST_UNIFORM, SMALLEST_UNIFORM
from margin.case.types import CalibrationSpec, Case, UseCondition
from margin.propagation.calibrated import station_loads
from margin.propagation.events import Event
from margin.propagation.factors import Factor, factors_of
from margin.propagation.readings import use_event

Array = NDArray[np.float64]

OUTER_SHARE = 0.00135
"""Probability beyond each limit where a shape has no end of its own: the limits of +-3 sigma."""


@dataclass(frozen=True)
class Variable:
    """One number that a corner sets: a factor at an event, at one load of the calibration where it is drawn
    for each load.

    stream  suffix of the event's draws; '' for what use and calibration have in common
    load    N, of the calibration; place: its row of the `loads` on that axis; None where all share the draw
    low, centre, high  deviations; centre: as designed
    mean, sd  of the deviation; a mean of several draws has less of the latter
    gaps    not every value between the limits can be drawn
    """

    factor: Factor
    stream: str
    load: float | None
    place: int | None
    loads: int
    low: float
    centre: float
    high: float
    mean: float
    sd: float
    gaps: bool

    @property
    def key(self) -> tuple[str, str]:
        return self.factor.name, self.stream

    @property
    def event(self) -> str:
        """For people: 'both', 'use', 'calibration', 'calibration at 30 N'."""
        if not self.stream:
            return "both"
        if self.stream.startswith("@use"):
            return "use"
        return "calibration" if self.load is None else f"calibration at {self.load:g} N"

    @property
    def unit(self) -> str:
        """Of the deviation: 'relative', 'SI', or 'draw' for a standardised draw."""
        if self.factor.standardised:
            return "draw"
        return "relative" if self.factor.relative else "SI"

    def possible(self, values: Array) -> Array:
        """The largest value that can be drawn and is not above each of `values`."""
        if not self.gaps:
            return values
        return _drawable(self.factor.distribution, values)


def predictive(factor: Factor) -> Distribution:
    """Distribution of one further unit, where mean and spread were taken from few: Student's t, widened by the
    mean.

    Three units or fewer leave its standard deviation without bound; that of four then stands for it.
    """
    shape = factor.distribution
    if factor.measured_on is None:
        return shape
    return StudentT(
        shape.mean, shape.sd * math.sqrt(1.0 + 1.0 / factor.measured_on), float(freedom(factor.measured_on))
    )


def freedom(units: int) -> int:
    """Degrees of freedom of a spread taken from so many units, at least the 3 that leave a variance."""
    return max(units - 1, 3)


def single(case: Case, option: CalibrationSpec, condition: UseCondition | None) -> Case:
    """The case with one option, one condition of use and one reading of each kind: a corner is one reading."""
    study = dataclasses.replace(case.study, conditions=1, loadings=1, readings=1)
    conditions = () if condition is None else (condition,)
    return dataclasses.replace(case, study=study, conditions=conditions, calibrations=(option,))


def variables_of(case: Case) -> tuple[Variable, ...]:
    """All variables of a `single` case whose draws its readings depend on."""
    option = case.calibrations[0]
    condition = case.conditions[0] if case.conditions else None
    use, calibration = use_event(case, condition), calibration_event(option)
    found: dict[tuple[str, str, int | None], Variable] = {}
    for factor in _factors(case, option):
        if factor.level != "calibration" and factor.role != "station":
            variable = _variable(factor, use.stream(factor.level), None, None, 1, 1)
            found[(*variable.key, None)] = variable
        if calibration is None or factor.role == "use":
            continue
        for variable in _at_calibration(factor, option, calibration):
            found.setdefault((*variable.key, variable.place), variable)
    return tuple(v for v in found.values() if v.high > v.low)


def calibration_event(option: CalibrationSpec) -> Event | None:
    """Event of the calibration with one option; None where it does not calibrate."""
    if option.kind == "none":
        return None
    return Event(
        "calibration",
        loadings=option.reloads,
        readings=option.samples,
        loads=len(station_loads((option,))),
        rebuilt=option.stage != "finished product",
        calibrating=True,
    )


def _factors(case: Case, option: CalibrationSpec) -> Iterator[Factor]:
    """Factors of a single case, less what its condition of use fixes and what its option does not read."""
    condition = case.conditions[0] if case.conditions else None
    direction = (condition and condition.direction) or case.elements["use"].options["direction"]
    for factor in factors_of(case):
        if factor.quantity == "use.direction_draw" and direction != "either":
            continue
        if factor.role == "firmware" and not option.temperature_correction:
            continue
        yield factor


def _at_calibration(factor: Factor, option: CalibrationSpec, event: Event) -> Iterator[Variable]:
    stream = event.stream(factor.level)
    if factor.level not in ("loading", "reading"):
        yield _variable(factor, stream, None, None, 1, 1)
        return
    averaged = event.loadings * (event.readings if factor.level == "reading" else 1)
    for place, load in enumerate(station_loads((option,))):
        yield _variable(factor, stream, load, place, event.loads, averaged)


def _variable(
    factor: Factor, stream: str, load: float | None, place: int | None, loads: int, averaged: int
) -> Variable:
    """A factor's deviation, or the mean of so many draws of it.

    A mean of draws scatters less; but all of them may lie at a limit that the shape has of its own.
    """
    shape = predictive(factor)
    low, high = shape.support
    ends = shape.ppf(np.array([OUTER_SHARE, 1.0 - OUTER_SHARE]))
    centre = shape.mean if factor.standardised else 0.0
    shrink = 1.0 / math.sqrt(averaged)
    low = low if np.isfinite(low) else centre + shrink * (float(ends[0]) - centre)
    high = high if np.isfinite(high) else centre + shrink * (float(ends[1]) - centre)
    gaps = averaged == 1 and _has_gaps(shape, low, high)
    return Variable(
        factor, stream, load, place, loads, low, centre, high, shape.mean, shrink * shape.sd, gaps
    )


def _has_gaps(shape: Distribution, low: float, high: float) -> bool:
    inside = np.linspace(low, high, 65)[1:-1]
    return bool(np.abs(_drawable(shape, inside) - inside).max() > 1e-6 * (high - low))


def _drawable(shape: Distribution, values: Array) -> Array:
    return np.asarray(shape.ppf(np.clip(shape.cdf(values), SMALLEST_UNIFORM, LARGEST_UNIFORM)))
