"""One block of units: calibrated by every option, used, and the force error of each reading."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from margin.calibration.event import station_response, station_setting
from margin.calibration.schemes import (
    Correction,
    least_squares,
    one_point,
    one_point_logarithm,
    piecewise,
)
from margin.case.types import CalibrationSpec, Case, UseCondition
from margin.chain.setting import Setting
from margin.propagation.assemble import (
    Nominal,
    drawn_chain,
    drawn_element,
    firmware_setting,
    use_setting,
)
from margin.propagation.draws import Source
from margin.propagation.events import Event

Array = NDArray[np.float64]

SMALLEST_SHARE_OF_SPAN = 1e-6
"""Firmware that works in logarithms holds its estimate at this share of the span where the signal is gone."""


@dataclass(frozen=True)
class Readings:
    """Readings in use under one condition of use.

    condition  its name
    codes      converter codes, (unit, condition, loading, reading, load)
    clipped    True where the circuit or the converter was at a limit
    setting    true setting; corrected: the setting that a temperature-correcting firmware believes
    """

    condition: str
    codes: Array
    clipped: NDArray[np.bool_]
    setting: Setting
    corrected: Setting


@dataclass(frozen=True)
class StationView:
    """What the station saw of the units: averaged codes by load, for one option."""

    indicated: Array
    codes: Array
    unloaded: Array | None
    setting: Setting


def use_conditions(case: Case) -> tuple[UseCondition | None, ...]:
    """The named conditions of use, or None once for the general one."""
    return case.conditions or (None,)


def use_event(case: Case, condition: UseCondition | None) -> Event:
    """Event of the readings in use under one condition."""
    study = case.study
    name = "use" if condition is None else f"use, {condition.name}"
    return Event(name, study.conditions, study.loadings, study.readings, len(case.check_loads))


def readings_in_use(case: Case, source: Source) -> Iterator[Readings]:
    """Readings of the drawn units under each condition of use."""
    loads = np.asarray(case.check_loads).reshape(1, 1, 1, 1, -1)
    for condition in use_conditions(case):
        event = use_event(case, condition)
        chain = drawn_chain(case, event, source, "finished product")
        setting = use_setting(case, condition, event, source)
        response = chain.respond(loads, setting)
        shape = np.broadcast_shapes(response.code.shape, loads.shape)
        yield Readings(
            "use" if condition is None else condition.name,
            np.broadcast_to(response.code, shape),
            np.broadcast_to(response.clipped, shape),
            setting,
            firmware_setting(case, event, source, setting, True),
        )


@dataclass
class Station:
    """The calibrations of a block of units: options that ask for the same thing see the same draws.

    The loads of all options form one grid, so that an option's draw at a load does not depend on which other
    options there are at other loads, and two options that use the same load see the same placement of it.
    """

    case: Case
    source: Source
    nominal: Nominal

    def __post_init__(self) -> None:
        options = [o for o in self.case.calibrations if o.kind != "none"]
        self._grid = tuple(sorted({0.0, *(load for o in options for load in o.loads)}))
        self._reloads = max((o.reloads for o in options), default=1)
        self._samples = max((o.samples for o in options), default=1)
        self._seen: dict[tuple[str, float], tuple[Array, Setting, Setting]] = {}

    def _event(self, stage: str) -> Event:
        return Event(
            "calibration",
            loadings=self._reloads,
            readings=self._samples,
            loads=len(self._grid),
            rebuilt=stage != "finished product",
            calibrating=True,
        )

    def _codes(self, stage: str, descending: float) -> tuple[Array, Setting, Setting]:
        key = (stage, descending)
        if key not in self._seen:
            event = self._event(stage)
            chain = drawn_chain(self.case, event, self.source, stage)
            station = drawn_element(self.case.elements["station"], event, self.source)
            setting = station_setting(station, self.nominal.setting, descending)
            indicated = np.asarray(self._grid).reshape(1, 1, 1, 1, -1)
            response = station_response(chain, station, indicated, setting)
            corrected = firmware_setting(self.case, event, self.source, setting, True)
            self._seen[key] = (response.code, setting, corrected)
        return self._seen[key]

    def view(self, option: CalibrationSpec) -> StationView:
        """Averaged codes of the option's loads (and of the unloaded unit where it tares)."""
        branches = {"up": (0.0,), "down": (1.0,), "both": (0.0, 1.0)}[option.direction]
        seen = [self._codes(option.stage, branch) for branch in branches]
        places = [self._grid.index(load) for load in option.loads]
        averaged = sum(self._averaged(codes, option) for codes, _, _ in seen) / len(seen)
        codes = np.asarray(averaged)
        unloaded = codes[..., :1] if option.tare or option.kind == "tare" else None
        setting = seen[0][2] if option.temperature_correction else self.nominal.setting
        return StationView(np.asarray(option.loads), codes[..., places], unloaded, setting)

    def _averaged(self, codes: Array, option: CalibrationSpec) -> Array:
        full = np.broadcast_to(
            codes, (codes.shape[0], 1, self._reloads, self._samples, len(self._grid))
        )
        kept = full[:, :, : option.reloads, : option.samples]
        mean: Array = kept.mean(axis=(2, 3), keepdims=True)
        return mean


@dataclass(frozen=True)
class Coordinates:
    """The firmware's coordinate of an option's space, from codes."""

    nominal: Nominal
    space: str
    smallest: float

    def of(self, codes: Array, setting: Setting) -> Array:
        """Coordinate of codes: load estimate (N), its logarithm, signal (V) or sensor output (S or V/V)."""
        firmware = self.nominal.firmware
        if self.space == "signal":
            return np.asarray(firmware.voltage_of(codes))
        if self.space == "output":
            return np.asarray(firmware.output_of(codes, setting))
        force = np.asarray(firmware.force_of(codes, setting))
        if self.space == "logarithm":
            return np.log(np.maximum(force, self.smallest))
        return force

    def nominal_zero(self) -> float:
        """Coordinate of an unloaded unit as designed; 0 for a load estimate."""
        if self.space in ("force", "logarithm"):
            return 0.0
        setting = self.nominal.setting
        code = np.asarray(self.nominal.firmware.code_of(0.0, setting), dtype=np.float64)
        return float(self.of(code, setting))


@dataclass(frozen=True)
class Calibrated:
    """Units calibrated by one option: from codes in use to the load they report."""

    option: CalibrationSpec
    coordinates: Coordinates
    correction: Correction | None
    unloaded: Array | None

    def load(self, readings: Readings) -> Array:
        """Load, N, that the units report; never below zero in logarithms, free elsewhere."""
        corrected = self.option.temperature_correction
        setting = readings.corrected if corrected else self.coordinates.nominal.setting
        x = self._tared(self.coordinates.of(readings.codes, setting))
        if self.correction is None:
            return x
        estimate = self.correction.load(x)
        return np.exp(estimate) if self.coordinates.space == "logarithm" else estimate

    def _tared(self, x: Array) -> Array:
        if self.unloaded is None or self.coordinates.space == "logarithm":
            return x
        return x - self.unloaded


def uncalibrated(option: CalibrationSpec, nominal: Nominal, smallest: float) -> Calibrated:
    """Units that read by the design curve alone."""
    return Calibrated(option, Coordinates(nominal, "force", smallest), None, None)


def calibrate(option: CalibrationSpec, station: Station, smallest: float) -> Calibrated:
    """Fit the constants of one option ('tare', 'one-point', 'two-point', 'multi-point') to what was seen.

    A tare removes the unloaded coordinate in the option's own space. In the space 'signal' or 'output' a tare
    alone shifts the signal back to its designed zero before the design curve is applied, since a shift of the
    signal is not a shift of the load where the curve is bent.
    """
    nominal = station.nominal
    view = station.view(option)
    if option.kind == "tare":
        if option.space in ("signal", "output"):
            return _TaredSignal.of(option, nominal, view, smallest)
        coordinates = Coordinates(nominal, "force", smallest)
        return Calibrated(
            option, coordinates, None, coordinates.of(np.asarray(view.unloaded), view.setting)
        )
    coordinates = Coordinates(nominal, option.space, smallest)
    x = coordinates.of(view.codes, view.setting)
    unloaded: Array | None = None
    if view.unloaded is not None and option.space != "logarithm":
        unloaded = coordinates.of(view.unloaded, view.setting)
        x = x - unloaded
    return Calibrated(option, coordinates, _correction(option, coordinates, x, unloaded is not None), unloaded)


def _correction(option: CalibrationSpec, coordinates: Coordinates, x: Array, tared: bool) -> Correction:
    loads = np.asarray(option.loads)
    logarithmic = option.space == "logarithm"
    if option.kind == "one-point":
        if logarithmic:
            return one_point_logarithm(x, math.log(loads[0]))
        return one_point(x, float(loads[0]), 0.0 if tared else coordinates.nominal_zero())
    if option.kind == "multi-point" and option.fit == "piecewise":
        return piecewise(x, np.log(loads) if logarithmic else loads)
    degree = 1 if option.kind == "two-point" else option.degree
    # in logarithms equal weights are relative weights already
    relative = option.weights == "relative" and not logarithmic
    weights = 1.0 / loads**2 if relative else np.ones_like(loads)
    return least_squares(x, np.log(loads) if logarithmic else loads, degree, weights)


@dataclass(frozen=True)
class _TaredSignal(Calibrated):
    """A tare in the signal: the design curve is applied to the shifted signal."""

    signal: Coordinates

    @classmethod
    def of(cls, option: CalibrationSpec, nominal: Nominal, view: StationView, smallest: float) -> _TaredSignal:
        signal = Coordinates(nominal, option.space, smallest)
        unloaded = signal.of(np.asarray(view.unloaded), view.setting) - signal.nominal_zero()
        return cls(option, Coordinates(nominal, "force", smallest), None, unloaded, signal)

    def load(self, readings: Readings) -> Array:
        corrected = self.option.temperature_correction
        firmware = self.coordinates.nominal.firmware
        setting = readings.corrected if corrected else self.coordinates.nominal.setting
        shifted = self.signal.of(readings.codes, setting) - np.asarray(self.unloaded)
        if self.signal.space == "signal":
            return np.asarray(firmware.force_of_voltage(shifted, setting))
        return np.asarray(firmware.force_of_output(shifted, setting))
