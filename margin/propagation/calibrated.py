"""Calibration of drawn units by each option, from what the station sees to the load that units report."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import reduce
from typing import Any

import numpy as np
from numpy.typing import NDArray

from margin.calibration.event import station_response, station_setting
from margin.calibration.schemes import (
    Correction,
    Gain,
    Offset,
    Scaled,
    least_squares,
    one_point,
    one_point_logarithm,
    piecewise,
)
from margin.case.types import CalibrationSpec, Case
from margin.chain.arrays import as_array
from margin.chain.converter import Converter
from margin.chain.setting import Setting
from margin.propagation.assemble import Nominal, drawn_chain, drawn_element, firmware_setting, in_service
from margin.propagation.draws import LotSamples, Source
from margin.propagation.events import Event
from margin.propagation.readings import Readings
from margin.propagation.tally import EvaluationError

Array = NDArray[np.float64]

SMALLEST_SHARE_OF_SPAN = 1e-6
"""Firmware that works in logarithms holds its estimate at this share of the span where the signal is gone."""

WIDEST_LOGARITHM = math.log(1e12)
"""Firmware that works in logarithms reports at most this much above its smallest estimate: a million spans."""

TABLE_BITS = 16
"""Resolution up to which the design curve is evaluated at every code once, and looked up by readings."""


@dataclass(frozen=True)
class StationView:
    """What the station saw of the units: averaged codes by load, for one option.

    loads: (load,), N as indicated; codes: (unit, 1, 1, 1, load); unloaded: (unit, 1, 1, 1, 1) where the option tares,
    (unit, 1, 1, 1, load) where it takes a new zero before each placement, else None;
    setting: at which the firmware evaluates its curve during calibration
    """

    loads: Array
    codes: Array
    unloaded: Array | None
    setting: Setting

    def at(self, place: int) -> StationView:
        """What was seen at the load of one place."""
        one = slice(place, place + 1)
        unloaded = self.unloaded
        if unloaded is not None and unloaded.shape[-1] > 1:
            unloaded = unloaded[..., one]
        return replace(self, loads=self.loads[one], codes=self.codes[..., one], unloaded=unloaded)


def station_loads(options: Sequence[CalibrationSpec]) -> tuple[float, ...]:
    """Loads, N, that the station puts on a unit for these options, ascending; 0 where one of them tares."""
    loads = {load for option in options for load in option.loads}
    return tuple(sorted(loads | {0.0 for o in options if o.tare or o.kind == "tare"}))


def station_event(options: Sequence[CalibrationSpec], stage: str, loads: Sequence[float]) -> Event:
    """Event of the calibrations by these options at one stage, at the loads of the station, N."""
    return Event(
        "calibration",
        loadings=max((o.reloads for o in options), default=1),
        readings=max((o.samples for o in options), default=1),
        loads=len(loads),
        rebuilt=stage != "finished product",
        calibrating=True,
        placed=tuple(f"{load!r} N" for load in loads),
    )


@dataclass
class Bench:
    """The calibrations of a block of units: options that ask for the same thing see the same draws.

    The loads of all options form one grid, so that two options that use the same load see the same placement
    of it. What was seen is kept for the life of the object, which is one block.
    """

    case: Case
    source: Source
    nominal: Nominal
    count: int
    _seen: dict[tuple[str, float, bool], tuple[Array, Setting]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._options = [o for o in self.case.calibrations if o.kind != "none"]
        self._grid = station_loads(self._options)

    def _codes(self, stage: str, descending: float, unloaded: bool = False) -> tuple[Array, Setting]:
        """Codes (unit, 1, reload, sample, load of the grid) and the temperature-corrected setting.

        unloaded  just before each placement
        """
        key = (stage, descending, unloaded)
        if key not in self._seen:
            event = replace(station_event(self._options, stage, self._grid), unloaded=unloaded)
            chain = drawn_chain(self.case, event, self.source, stage)
            station = drawn_element(self.case.elements["station"], event, self.source)
            setting = station_setting(station, self.nominal.setting, descending)
            setting = in_service(self.case, event, self.source, setting)
            indicated = np.asarray(self._grid).reshape(1, 1, 1, 1, -1) * (0.0 if unloaded else 1.0)
            codes = as_array(station_response(chain, station, indicated, setting).code)
            if not np.all(np.isfinite(codes)):
                raise EvaluationError(
                    f"calibration of the {stage}: the chain gave codes that are not numbers; look at the "
                    "extremes of the spreads in this case"
                )
            full = (self.count, 1, event.loadings, event.readings, event.loads)
            corrected = firmware_setting(self.case, event, self.source, setting, True)
            self._seen[key] = np.broadcast_to(codes, full), corrected
        return self._seen[key]

    def view(self, option: CalibrationSpec) -> StationView:
        """Averaged codes of the option's loads, and of the unloaded unit where it is read.

        Both branches of a load cycle begin with one zero.
        """
        branches = {"up": (0.0,), "down": (1.0,), "both": (0.0, 1.0)}[option.direction]
        seen = [self._codes(option.stage, branch) for branch in branches]
        averages = [mean_of_placements(codes, option.reloads, option.samples) for codes, _ in seen]
        codes = sum(averages[1:], averages[0]) / len(averages)
        places = [self._grid.index(load) for load in option.loads]
        unloaded = codes[..., :1] if option.tare or option.kind == "tare" else None
        if option.rezero:
            before, _ = self._codes(option.stage, 0.0, unloaded=True)
            unloaded = mean_of_placements(before, option.reloads, option.samples)[..., places]
        setting = seen[0][1] if option.temperature_correction else self.nominal.setting
        return StationView(np.asarray(option.loads), codes[..., places], unloaded, setting)

    def samples(self, each: int) -> tuple[Bench, LotSamples]:
        """The same station with the sample units of the lots on it."""
        samples = self.source.lot_samples(each)
        lots = int(samples.row.max()) + 1
        return Bench(self.case, samples.source, self.nominal, lots * samples.each), samples


def mean_of_placements(codes: Array, reloads: int, samples: int) -> Array:
    """Mean over the first placements and samples, (unit, condition, 1, 1, load), added in one order however many units
    there are."""
    each = (codes[:, :, p : p + 1, s : s + 1] for p in range(reloads) for s in range(samples))
    return reduce(np.add, each) / float(reloads * samples)


@dataclass(frozen=True)
class Coordinates:
    """The firmware's coordinate of an option's space, from codes.

    rezeroed  the unloaded reading is brought to the designed one: of the signal in space 'signal', else of the
              sensor's output, since offsets add up before the design curve bends them
    every     s, for which a zero is kept along a load history
    """

    nominal: Nominal
    space: str
    smallest: float
    rezeroed: bool = False
    every: float = 0.0

    def of_view(self, view: StationView) -> Array:
        """Coordinate of what the station saw."""
        return self.of(view.codes, view.setting, view.unloaded if self.rezeroed else None)

    def of(self, codes: Array, setting: Setting, unloaded: Array | None = None) -> Array:
        """Load estimate (N), its logarithm, signal (V) or sensor output (S or V/V).

        unloaded  codes of the unloaded unit, where it is re-zeroed
        """
        if unloaded is not None:
            return self._from_zero(codes, unloaded, setting)
        firmware = self.nominal.firmware
        if self.space == "signal":
            return as_array(firmware.voltage_of(codes, setting))
        if self.space == "output":
            return as_array(firmware.output_of(codes, setting))
        force = as_array(firmware.force_of(codes, setting))
        return np.log(np.maximum(force, self.smallest)) if self.space == "logarithm" else force

    def _from_zero(self, codes: Array, unloaded: Array, setting: Setting) -> Array:
        """Coordinate from the unloaded reading, which is taken as that of the unit as designed."""
        firmware = self.nominal.firmware
        designed = as_array(firmware.code_of(0.0, setting))
        if self.space == "signal":
            signal = (firmware.voltage_of(each, setting) for each in (codes, unloaded, designed))
            return _rezeroed(*map(as_array, signal))
        output = _rezeroed(
            *(as_array(firmware.output_of(each, setting)) for each in (codes, unloaded, designed))
        )
        if self.space == "output":
            return output
        force = as_array(firmware.force_of_output(output, setting))
        return np.log(np.maximum(force, self.smallest)) if self.space == "logarithm" else force

    def of_readings(self, readings: Readings, corrected: bool) -> Array:
        """Coordinate of readings in use; options that share it compute it once."""
        key = (self.space, corrected, self.every if self.rezeroed else None)
        if key not in readings.kept:
            setting = readings.corrected if corrected else self.nominal.setting
            if self.rezeroed:
                readings.kept[key] = self.of(readings.codes, setting, readings.zero(self.every))
            elif (
                not corrected
                and self._few_codes
                and isinstance(readings.codes, np.ndarray)
                and readings.finite
            ):
                readings.kept[key] = readings.looked_up(self._by_code)
            elif self.space == "logarithm":
                force = Coordinates(self.nominal, "force", self.smallest).of_readings(readings, corrected)
                readings.kept[key] = np.log(np.maximum(force, self.smallest))
            else:
                readings.kept[key] = self.of(readings.codes, setting)
        return readings.kept[key]

    @property
    def _few_codes(self) -> bool:
        converter = self.nominal.chain.converter
        # a converter that makes its codes in its own way need not make whole numbers
        whole = type(converter).code_of_counts is Converter.code_of_counts
        return whole and 0 < converter.bits <= TABLE_BITS

    @property
    def _by_code(self) -> Array:
        """The coordinate at every code: the design curve is the same for all units, and codes are few."""
        key = (self.space, self.smallest)
        if key not in self.nominal.by_code:
            codes = np.arange(self.nominal.chain.converter.levels, dtype=np.float64)
            self.nominal.by_code[key] = self.of(codes, self.nominal.setting)
        return self.nominal.by_code[key]

    def nominal_zero(self) -> float:
        """Coordinate of an unloaded unit as designed; 0 for a load estimate."""
        if self.space in ("force", "logarithm"):
            return 0.0
        setting = self.nominal.setting
        code = np.asarray(self.nominal.firmware.code_of(0.0, setting), dtype=np.float64)
        return float(self.of(code, setting))


def _rezeroed(loaded: Array, unloaded: Array, designed: Array) -> Array:
    return loaded - unloaded + designed


@dataclass(frozen=True)
class Calibrated:
    """Units calibrated by one option: from codes in use to the load they report.

    correction  None: the design curve as it is
    unloaded    what a tare removes, in the space of the coordinates
    shifted     the tare removes a signal or output before the design curve is applied
    """

    option: CalibrationSpec
    coordinates: Coordinates
    correction: Correction | None = None
    unloaded: Array | None = None
    shifted: bool = False

    def load(self, readings: Readings) -> Array:
        """Load, N, that the units report, shape of the codes."""
        corrected = self.option.temperature_correction
        setting = readings.corrected if corrected else self.coordinates.nominal.setting
        x = self.coordinates.of_readings(readings, corrected)
        if self.unloaded is not None:
            x = x - self.unloaded
        if self.shifted:
            return self._through_design_curve(x, setting)
        if self.correction is None:
            return x
        estimate = self.correction.load(x)
        if self.coordinates.space != "logarithm":
            return estimate
        # a curve through saturated readings may run away; what it then reports is wrong, but it is a number
        return np.exp(np.minimum(estimate, math.log(self.coordinates.smallest) + WIDEST_LOGARITHM))

    def _through_design_curve(self, x: Array, setting: Setting) -> Array:
        firmware = self.coordinates.nominal.firmware
        if self.coordinates.space == "signal":
            return as_array(firmware.force_of_voltage(x, setting))
        return as_array(firmware.force_of_output(x, setting))


@dataclass(frozen=True)
class Classes:
    """Sorting into classes: `edges` of the gain a unit would need, and the gain that each class is given."""

    edges: Array
    gains: Array

    def gain(self, needed: Array) -> Array:
        """Gain of the class into which a unit falls."""
        gain: Any = self.gains[0]
        for edge, above in zip(self.edges, self.gains[1:], strict=True):
            gain = np.where(needed > edge, above, gain)
        return as_array(gain)


def smallest_estimate(case: Case) -> float:
    """N below which firmware in logarithms does not go."""
    return SMALLEST_SHARE_OF_SPAN * case.span


def classes_of(option: CalibrationSpec, pilot: Bench) -> Classes:
    """Classes that hold equal shares of a pilot population, each corrected by its median gain."""
    parts = np.array_split(np.sort(np.ravel(_needed_gain(option, pilot).gain)), option.classes)
    # many units need the very gain of an edge, as codes are whole numbers: the last bit must not sort them apart
    edges = [(0.5 + 1e-12) * (a[-1] + b[0]) for a, b in itertools.pairwise(parts)]
    return Classes(np.array(edges), np.array([np.median(part) for part in parts]))


def _needed_gain(option: CalibrationSpec, bench: Bench) -> Gain:
    view = bench.view(option)
    return one_point(_coordinates(option, bench).of_view(view), float(view.loads[0]), 0.0)


def _coordinates(option: CalibrationSpec, bench: Bench) -> Coordinates:
    """Coordinates in which an option is fitted."""
    space = option.space
    if option.kind in ("none", "classes") or (option.kind == "tare" and space == "logarithm"):
        space = "force"
    smallest = smallest_estimate(bench.case)
    return Coordinates(bench.nominal, space, smallest, option.rezero, option.rezero_every)


def calibrate(
    option: CalibrationSpec, bench: Bench, classes: Classes | None = None, means: Array | None = None
) -> Calibrated:
    """Fit the constants of one option to what the station saw of the units on the bench.

    means  of the lots, for a lot curve, where they have been computed (see `lot_means`)

    A tare removes the unloaded coordinate in the option's own space ('force' where that is the logarithm). In
    'signal' or 'output' a tare alone shifts back to the designed zero before the design curve is applied,
    since a shift of the signal is not a shift of the load where the curve is bent.
    """
    coordinates = _coordinates(option, bench)
    space = coordinates.space
    if option.kind == "none":
        return Calibrated(option, coordinates)
    view = bench.view(option)
    unloaded: Array | None = None
    if view.unloaded is not None and space != "logarithm" and not option.rezero:
        unloaded = coordinates.of(view.unloaded, view.setting)
    if option.kind == "tare":
        if space == "force" or unloaded is None:
            return Calibrated(option, coordinates, None, unloaded)
        return Calibrated(option, coordinates, None, unloaded - coordinates.nominal_zero(), shifted=True)
    if option.kind == "classes":
        if classes is None:
            raise ValueError(f"calibration {option.name!r}: the classes have not been laid out")
        return Calibrated(option, coordinates, Gain(classes.gain(_needed_gain(option, bench).gain), 0.0))
    if option.kind == "lot-curve":
        means = lot_means(option, bench) if means is None else means
        curve = _lot_curve(option, coordinates, view, unloaded, means)
        return Calibrated(option, coordinates, curve, unloaded)
    x = coordinates.of_view(view)
    if unloaded is not None:
        x = x - unloaded
    return Calibrated(
        option, coordinates, _correction(option, coordinates, x, unloaded is not None), unloaded
    )


def _correction(option: CalibrationSpec, coordinates: Coordinates, x: Array, tared: bool) -> Correction:
    loads = np.asarray(option.loads)
    logarithmic = option.space == "logarithm"
    if option.kind == "one-point":
        if logarithmic:
            return one_point_logarithm(x, math.log(loads[0]))
        return one_point(x, float(loads[0]), 0.0 if tared else coordinates.nominal_zero())
    y = np.log(loads) if logarithmic else loads
    if option.kind != "two-point" and option.fit == "piecewise":
        return piecewise(x, y)
    degree = 1 if option.kind == "two-point" else option.degree
    # in logarithms equal weights are relative weights already
    relative = option.weights == "relative" and not logarithmic
    return least_squares(x, y, degree, 1.0 / loads**2 if relative else np.ones_like(loads))


def lot_means(option: CalibrationSpec, bench: Bench) -> Array:
    """Mean coordinates of the sample units of each unit's lot, (unit, 1, 1, 1, load), for a curve of the lot."""
    sample_bench, samples = bench.samples(option.sample_units)
    view, coordinates = sample_bench.view(option), _coordinates(option, bench)
    x = coordinates.of_view(view)
    if view.unloaded is not None and coordinates.space != "logarithm" and not option.rezero:
        x = x - coordinates.of(view.unloaded, view.setting)
    by_lot = x.reshape(-1, samples.each, *x.shape[1:]).mean(axis=1)
    return as_array(by_lot[samples.row])


def _lot_curve(
    option: CalibrationSpec, coordinates: Coordinates, view: StationView, unloaded: Array | None, means: Array
) -> Correction:
    """Curve fitted to the mean coordinates of the lot's sample units, scaled by one load of each unit."""
    curve = _correction(option, coordinates, means, unloaded is not None)
    middle = len(option.loads) // 2
    own = coordinates.of_view(view.at(middle))
    reported = curve.load(own if unloaded is None else own - unloaded)
    load = float(option.loads[middle])
    if option.space == "logarithm":
        return Scaled(curve, Offset(math.log(load) - reported))
    return Scaled(curve, one_point(reported, load, 0.0))
