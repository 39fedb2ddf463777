"""What a corner sets: one number for every factor, in use and again where the calibration draws it afresh."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from distributions import Distribution
from distributions.distribution import LARGEST_UNIFORM, SMALLEST_UNIFORM
from margin.case.types import CalibrationSpec, Case, UseCondition
from margin.case.units import of_deviation
from margin.propagation.calibrated import station_event, station_loads
from margin.propagation.events import Event
from margin.propagation.factors import Factor, factors_of
from margin.propagation.readings import unloaded_event, use_event

Array = NDArray[np.float64]

OUTER_SHARE = 0.00135
"""Probability beyond each limit of a shape without bounds on both sides: 0.135 %, that beyond +-3 standard
deviations of a normal one (common practice, no source)."""


@dataclass(frozen=True)
class Variable:
    """One number that a corner sets: a factor at an event, at one load of the calibration where it is drawn
    for each load.

    stream  suffix of the event's draws; '' for what use and calibration have in common
    load    N, of the calibration; place: its row of the `loads` on that axis; None where all share the draw
    low, centre, high  deviations: limits (see `limits_of`), and as designed (the nearer limit where that lies beyond)
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
        """For people: 'both', 'use', 'use, unloaded', 'calibration', 'calibration at 30 N'."""
        if not self.stream:
            return "both"
        if self.stream.startswith("@use"):
            return "use"
        if self.stream.startswith("@unloaded, use"):
            return "use, unloaded"
        before = ", unloaded" if self.stream.startswith("@unloaded") else ""
        return "calibration" if self.load is None else f"calibration at {self.load:g} N{before}"

    def unit(self, case: Case) -> str:
        """Of the deviation: 'relative', 'draw' for a standardised draw, else that of its quantity: 'V', 'K', ''."""
        if self.factor.standardised:
            return "draw"
        if self.factor.relative:
            return "relative"
        role, _, name = self.factor.quantity.partition(".")
        elements = (e for e in case.elements.values() if e.role == role and name in e.quantities)
        return of_deviation(next(elements).quantities[name].unit)

    def possible(self, values: Array) -> Array:
        """The largest value that can be drawn and is not above each of `values`."""
        if not self.gaps:
            return values
        return _drawable(self.factor.distribution, values)


def limits_of(factor: Factor) -> tuple[float, float]:
    """Smallest and largest deviation that an extreme value takes.

    The bounds of a shape that is bounded on both sides. Of every other, bounded on one side or on none, the
    quantiles with OUTER_SHARE beyond each: both limits then mean the same, however skew the shape. Where mean and
    spread were taken from n units these are quantiles of one further unit, Student's t with n - 1 degrees of freedom
    times s sqrt(1 + 1/n).
    """
    shape = factor.distribution
    if factor.measured_on is not None:
        reach = float(stdtrit(factor.measured_on - 1.0, 1.0 - OUTER_SHARE)) * _scale(factor)
        return shape.mean - reach, shape.mean + reach
    low, high = shape.support
    if math.isfinite(low) and math.isfinite(high):
        return low, high
    ends = shape.ppf(np.array([OUTER_SHARE, 1.0 - OUTER_SHARE]))
    return float(ends[0]), float(ends[1])


def standard_deviation(factor: Factor) -> float:
    """Standard deviation of one further unit, where mean and spread were taken from few (Student's t).

    Three units or fewer leave it without bound; that of four then stands for it.
    """
    if factor.measured_on is None:
        return factor.distribution.sd
    nu = freedom(factor.measured_on)
    return _scale(factor) * math.sqrt(nu / (nu - 2.0))


def _scale(factor: Factor) -> float:
    """Scale of Student's t for one further unit, widened by the mean's own uncertainty."""
    return factor.distribution.sd * math.sqrt(1.0 + 1.0 / (factor.measured_on or math.inf))


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
    before = unloaded_event(use)
    found: dict[tuple[str, str, int | None], Variable] = {}
    for factor in _factors(case, option):
        if factor.level != "calibration" and factor.role != "station":
            variable = _variable(factor, use.stream_of(factor), None, None, 1, 1)
            found[(*variable.key, None)] = variable
        if option.rezero and factor.role != "station" and before.stream_of(factor) != use.stream_of(factor):
            variable = _variable(factor, before.stream_of(factor), None, None, 1, 1)
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
    return station_event((option,), option.stage, station_loads((option,)))


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
    stream = event.stream_of(factor)
    if factor.level not in ("loading", "reading"):
        yield _variable(factor, stream, None, None, 1, 1)
        return
    averaged = event.loadings * (event.readings if factor.level == "reading" else 1)
    before = dataclasses.replace(event, unloaded=True).stream_of(factor)
    streams = (stream, before) if option.rezero and before != stream else (stream,)
    for place, load in enumerate(station_loads((option,))):
        for each in streams:
            yield _variable(factor, each, load, place, event.loads, averaged)


def _variable(
    factor: Factor, stream: str, load: float | None, place: int | None, loads: int, averaged: int
) -> Variable:
    """A factor's deviation, or the mean of so many draws of it.

    A mean of draws scatters less; but all of them may lie at a limit that bounds the shape.
    """
    shape = factor.distribution
    low, high = limits_of(factor)
    shrink = 1.0 / math.sqrt(averaged)
    if (low, high) != shape.support:
        low, high = (shape.mean + shrink * (end - shape.mean) for end in (low, high))
    designed = shape.mean if factor.standardised else 0.0
    centre = min(max(designed, low), high)
    # only a normal shape is taken from few units, and it has none
    gaps = averaged == 1 and factor.measured_on is None and _has_gaps(shape, low, high)
    sd = shrink * standard_deviation(factor)
    return Variable(factor, stream, load, place, loads, low, centre, high, shape.mean, sd, gaps)


def _has_gaps(shape: Distribution, low: float, high: float) -> bool:
    inside = np.linspace(low, high, 65)[1:-1]
    return bool(np.abs(_drawable(shape, inside) - inside).max() > 1e-6 * (high - low))


def _drawable(shape: Distribution, values: Array) -> Array:
    return np.asarray(shape.ppf(np.clip(shape.cdf(values), SMALLEST_UNIFORM, LARGEST_UNIFORM)))
