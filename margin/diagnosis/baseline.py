"""What production, remounting and measurement explain: the figures of units like the prototype, read in its way."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.special import ndtri

from distributions import Stream
from distributions.errors import InvalidArgument
from margin.calibration.event import applied_load
from margin.case.types import CalibrationSpec, Case
from margin.chain import Chain
from margin.chain.arrays import as_array
from margin.chain.setting import Setting
from margin.diagnosis.figures import Figure, Lack, Shape, errors_of, figures_of, lacking
from margin.diagnosis.prototype import Prototype
from margin.propagation.assemble import Nominal, drawn_chain, drawn_element, firmware_setting
from margin.propagation.calibrated import Bench, calibrate
from margin.propagation.draws import StreamSource
from margin.propagation.events import Event
from margin.propagation.grouping import Grouping
from margin.propagation.model import Model, model_of
from margin.propagation.readings import Readings
from margin.propagation.tally import EvaluationError

Array = NDArray[np.float64]
By = Literal["case", "bench"]

UNITS = 5000
"""Units drawn of a case: a chance of 1 % is then known to 0.16 %."""

AT_LEAST = 100
"""Fewest units drawn of a case."""

INSTRUMENTS = (1e-3, 1e-4)
"""Standard deviation of a single reading by the instruments on the prototype: of the load, and of the top load (common
practice, no source). Without it a reading noise that no case states would be unusual."""


@dataclass(frozen=True)
class Baseline:
    """Units that the prototype is compared with, and the prototype's own figures in the same terms.

    by         'case': drawn by the engine; 'bench': measured
    figures    what is compared; own: (figure,), of the prototype; units: (unit, figure)
    indicated  (run, step), N, what the prototype indicates; errors: (unit, step), N, mean error of each unit
    missing    figures that the data cannot give
    notes      what was assumed
    """

    by: By
    name: str
    figures: tuple[Figure, ...]
    own: Array
    units: Array
    shape: Shape
    indicated: Array
    held: Array | None
    errors: Array
    missing: tuple[Lack, ...]
    notes: tuple[str, ...]
    option: str | None = None


@dataclass(frozen=True)
class _Mounted(Event):
    """A load cycle under one mounting: steps along the axis of readings, since a placement lasts for a whole run."""

    mounting: int = 0

    def stream(self, level: Any) -> str:
        if level == "mounting":
            return f"@mounting {self.mounting + 1}"
        return super().stream(level)


def from_case(
    case: Case,
    prototype: Prototype,
    *,
    option: str | None = None,
    units: int = UNITS,
    seed: int | None = None,
) -> Baseline:
    """Units of the case drawn by the engine, each with its own lot and its own draw of what few sensors leave open.

    Every unit goes through the prototype's runs at its temperature; the reference load errs as that of the station,
    the humidity is that of use. Readings become loads by the design curve, or, where the prototype reports loads, by
    calibration `option` (None: the first of the case).

    Raises InvalidArgument where the readings are not such as the case's sensor and circuit give.
    """
    if isinstance(units, bool) or units != int(units) or units < AT_LEAST:
        raise InvalidArgument(f"units must be a whole number, {AT_LEAST} at least (got {units!r})")
    model = model_of(case)
    chosen = _option(case, option, prototype.shape) if prototype.quantity == "output" else None
    shape = prototype.shape
    reads = _reads(case, prototype, model.nominal)
    own = reads(np.where(shape.present, prototype.values, 0.0))
    own = np.where(shape.present, own, np.nan)
    held = None if prototype.hold is None else reads(prototype.hold)
    for what in (own[shape.present], np.zeros(0) if held is None else held):
        if not np.isfinite(what).all():
            raise InvalidArgument(
                f"{prototype.source}: some readings give no load by the design curve of {case.name!r}: check the unit "
                "of the output, and that the case has the circuit that read it"
            )
    way = _Way(dataclasses.replace(model, seed=case.study.seed if seed is None else seed), prototype, chosen)
    drawn, drawn_hold = way.indicated(int(units))
    figures, values = figures_of(shape, drawn, drawn_hold)
    _, of_own = figures_of(shape, np.where(shape.present, own, 1.0), held)
    by = "by the design curve" if chosen is None else f"by calibration {chosen.name!r}"
    notes = (
        *prototype.notes,
        f"readings are loads {by}; runs at {prototype.temperature:g} degC",
        f"instruments are taken to scatter by {100.0 * INSTRUMENTS[0]:g} % of a load and {100.0 * INSTRUMENTS[1]:g} % "
        "of the top load",
    )
    return Baseline(
        "case", f"{units:,} units drawn of {case.name!r}", tuple(figures), of_own, values, shape, own, held,
        errors_of(shape, drawn), lacking(shape), notes, None if chosen is None else chosen.name,
    )  # fmt: skip


def drawn_like(
    case: Case, prototype: Prototype, *, option: str | None = None, units: int = UNITS, seed: int = 0
) -> tuple[Array, Array | None]:
    """Loads, N, that drawn units indicate in the prototype's runs (unit, run, step) and along its hold (unit, time)."""
    chosen = _option(case, option, prototype.shape) if prototype.quantity == "output" else None
    return _Way(dataclasses.replace(model_of(case), seed=seed), prototype, chosen).indicated(units)


def from_units(prototype: Prototype, bench: list[Prototype], name: str) -> Baseline:
    """Units of a bench, each with as many mountings and runs as the prototype, at the loads common to all.

    What is compared is then exchangeable: a prototype of the same production differs from the units as they differ
    from one another. Readings become loads by the mean ascending curve of these units.

    Raises InvalidArgument where quantity or loads are not the same, or there are fewer than three units.
    """
    for one in bench[:1]:
        if (one.quantity, one.unit) != (prototype.quantity, prototype.unit):
            raise InvalidArgument(
                f"{prototype.source} holds {prototype.quantity} ({prototype.unit}), {one.source} {one.quantity} "
                f"({one.unit}): give the same quantity, or circuits that turn both into conductance"
            )
    if len(bench) < 3:
        raise InvalidArgument(
            f"{name}: {len(bench)} sensor(s); a baseline needs three at least: measure more, or compare with a case"
        )
    steps = [_steps_in(prototype.shape, one.shape) for one in bench]
    common = np.flatnonzero(np.all([s >= 0 for s in steps], axis=0))
    if not (prototype.shape.loads[common] > 0.0).any():
        there = ", ".join(f"{load:g}" for load in sorted(set(bench[0].shape.loads.tolist())))
        read = ", ".join(f"{load:g}" for load in sorted(set(prototype.shape.loads.tolist())))
        raise InvalidArgument(
            f"no load in common: {prototype.source} was read at {read} N, {name} at {there} N; read the prototype at "
            "loads of the bench"
        )
    everyone: tuple[Prototype, ...] = (prototype, *bench)
    mountings = min(one.shape.mountings for one in everyone)
    runs = min(int(np.bincount(one.shape.mounting)[:mountings].min()) for one in everyone)
    holds = all(_same_hold(prototype.shape, one.shape) for one in bench)
    own = prototype.like(mountings, runs, common, holds)
    alike = [unit.like(mountings, runs, s[common], holds) for unit, s in zip(bench, steps, strict=True)]
    for taken in (own, *alike):
        if not taken.shape.present.all():
            raise InvalidArgument(
                f"{taken.source}, {taken.label}: some runs lack readings at a common load: give whole runs"
            )
    stacked = np.stack([unit.values for unit in alike])
    indicate = _by_mean_curve(own.shape, stacked)
    held = (
        np.stack([unit.hold for unit in alike if unit.hold is not None])
        if holds and own.hold is not None
        else None
    )
    drawn = indicate(stacked)
    indicated = indicate(own.values)
    own_hold = None if held is None or own.hold is None else indicate(own.hold)
    figures, values = figures_of(own.shape, drawn, None if held is None else indicate(held))
    _, of_own = figures_of(own.shape, indicated, own_hold)
    extent = f"{mountings} mounting(s) and {runs} run(s) of each unit, as both have them"
    warm = float(np.mean([one.temperature for one in bench]))
    notes = [*prototype.notes, f"readings are loads by the mean curve of the bench; {extent}"]
    if abs(warm - prototype.temperature) > 2.0:
        notes.append(f"the prototype was read at {prototype.temperature:g} degC, the bench at {warm:g} degC")
    return Baseline(
        "bench", f"{len(bench)} sensors of {name}", tuple(figures), of_own, values, own.shape, indicated, own_hold,
        errors_of(own.shape, drawn), lacking(own.shape), tuple(notes),
    )  # fmt: skip


@dataclass(frozen=True)
class _Way:
    """How drawn units go through the prototype's runs."""

    model: Model
    prototype: Prototype
    option: CalibrationSpec | None

    def indicated(self, units: int) -> tuple[Array, Array | None]:
        """Indicated loads (unit, run, step) and along the hold (unit, time), N."""
        case = self.model.case
        stream = Stream(self.model.case.study.seed if self.model.seed is None else self.model.seed)
        source = StreamSource(
            self.model.factors, stream, Grouping(1, 1), 0, units, "random", self.model.groups
        )
        shape = self.prototype.shape
        calibrated = None
        if self.option is not None:
            bench = Bench(case, source, self.model.nominal, units)
            calibrated = calibrate(self.option, bench, self.model.classes.get(self.option.name))
        parts = []
        for mounting in range(shape.mountings):
            runs = int(np.count_nonzero(shape.mounting == mounting))
            event = _Mounted(
                f"prototype, mounting {mounting + 1}",
                loadings=runs,
                readings=shape.loads.size,
                mounting=mounting,
            )
            dwell = np.full(shape.loads.size, float(self.model.nominal.setting.dwell))
            found = self._loads(source, event, units, shape.loads, shape.descending, dwell, calibrated)
            parts.append(found)
        drawn = _read_by_instruments(np.concatenate(parts, axis=1), shape.loads, shape.top, stream, "runs")
        held = None
        if shape.hold_times is not None and shape.hold_load is not None:
            times = shape.hold_times
            event = _Mounted("prototype, hold", readings=times.size)
            load = np.full(times.size, shape.hold_load)
            held = self._loads(source, event, units, load, np.zeros(times.size), times, calibrated)[:, 0, :]
            held = _read_by_instruments(held, load, shape.top, stream, "hold")
        for values in (drawn, drawn if held is None else held):
            if not np.isfinite(values).all():
                raise EvaluationError(
                    f"{case.name}: drawn units indicate loads that are not numbers; look at the extremes of the spreads"
                )
        return drawn, held

    def _loads(
        self, source: StreamSource, event: Event, units: int, loads: Array, descending: Array, dwell: Array,
        calibrated: Any,
    ) -> Array:  # fmt: skip
        case, nominal, shape = self.model.case, self.model.nominal, self.prototype.shape

        def along(values: Array) -> Array:
            return values.reshape(1, 1, 1, -1, 1)

        chain = _just_unloaded(
            drawn_chain(case, event, source, "finished product"), along(loads), along(descending)
        )
        use = drawn_element(case.elements["use"], event, source, None, ("direction_draw",))
        station = drawn_element(case.elements["station"], event, source)
        still = dataclasses.replace(station, reference_scatter=0.0)
        setting = Setting(
            temperature=self.prototype.temperature, dwell=along(dwell), descending=along(descending),
            peak=shape.top, age=0.0, humidity=use.humidity, reference_temperature=case.reference_temperature,
            reference_humidity=case.reference_humidity,
        )  # fmt: skip
        response = chain.respond(applied_load(along(loads), still), setting)
        full = (units, 1, event.loadings, event.readings, 1)
        if calibrated is not None:
            codes = np.broadcast_to(as_array(response.code), full)
            clipped = np.broadcast_to(as_array(response.clipped), full)
            believed = firmware_setting(case, event, source, setting, True)
            unloaded = codes[..., :1, :] if loads[0] == 0.0 else None
            readings = Readings("prototype", codes, clipped, setting, believed, unloaded)
            found = calibrated.load(readings)
        elif self.prototype.quantity in ("conductance", "ratio"):
            found = as_array(nominal.firmware.force_of_output(response.output, nominal.setting))
        else:
            found = as_array(nominal.firmware.force_of(response.code, nominal.setting))
        whole = np.broadcast_to(found, full)
        return np.asarray(whole[:, 0, :, :, 0], dtype=np.float64)


def _read_by_instruments(indicated: Array, loads: Array, top: float, stream: Stream, what: str) -> Array:
    """Indicated loads (..., step) with the noise of the instruments."""
    drawn = ndtri(stream.uniforms(f"instruments, {what}", 0, indicated.size)).reshape(indicated.shape)
    of_load, of_top = INSTRUMENTS
    return np.asarray(indicated + np.hypot(of_load * loads, of_top * top) * drawn)


def _just_unloaded(chain: Chain, loads: Array, descending: Array) -> Chain:
    """The chain rested before a run and just unloaded after it: a zero return shows whole at the last reading."""
    sensor: Any = chain.sensor
    if not hasattr(sensor, "history_draw"):
        return chain
    after = (descending == 1.0) & (loads == 0.0)
    return dataclasses.replace(
        chain, sensor=dataclasses.replace(sensor, history_draw=np.where(after, 1.0, 0.5))
    )


def _option(case: Case, name: str | None, shape: Shape) -> CalibrationSpec:
    there = [one.name for one in case.calibrations]
    if name is not None and name not in there:
        listed = ", ".join(map(repr, there))
        raise InvalidArgument(f"no calibration option {name!r} in {case.name!r}; there are {listed}")
    found = case.calibrations[0 if name is None else there.index(name)]
    if found.rezero and shape.loads[0] != 0.0:
        raise InvalidArgument(
            f"calibration {found.name!r} takes a new zero before each use: read the prototype without load first"
        )
    return found


def _reads(case: Case, prototype: Prototype, nominal: Nominal) -> Callable[[Array], Array]:
    """Indicated load, N, of readings; InvalidArgument where they are not such as the case's chain gives."""
    firmware, setting, quantity = nominal.firmware, nominal.setting, prototype.quantity
    kind = case.elements["sensor"].kind
    given = "conductance" if nominal.chain.sensor.output_kind == "conductance" else "ratio"
    if quantity in ("conductance", "ratio"):
        if quantity != given:
            raise InvalidArgument(
                f"{prototype.source} holds a {quantity}, but the sensor of {case.name!r} is a {kind}, which gives a "
                f"{given}: compare with the case of the prototype's own sensor"
            )
        factor = 1e-3 if quantity == "ratio" else 1.0
        return lambda values: as_array(firmware.force_of_output(factor * values, setting))
    if quantity == "voltage":
        return lambda values: as_array(firmware.force_of_voltage(values, setting))
    if quantity == "code":
        top = nominal.chain.converter.levels - 1
        largest = float(np.nanmax(prototype.values))
        if largest > top:
            raise InvalidArgument(
                f"{prototype.source}: code {largest:g} lies beyond those of the converter of {case.name!r}, 0 to "
                f"{top:g}"
            )
        return lambda values: as_array(firmware.force_of(values, setting))
    if prototype.unit == "N":
        return lambda values: np.asarray(values, dtype=np.float64)
    raise InvalidArgument(
        f"{prototype.source}: an output in {prototype.unit!r} cannot be compared with a load: give voltage_V, code, "
        "conductance_S, ratio_mV_per_V, or output with the unit N where the firmware reports loads"
    )


def _steps_in(of: Shape, other: Shape) -> NDArray[np.intp]:
    """(step,), place of each step in the other shape; -1 where it is not there. Loads agree within 1 %."""
    found = np.full(of.loads.size, -1, dtype=np.intp)
    for place, (load, down) in enumerate(zip(of.loads, of.descending, strict=True)):
        near = (other.descending == down) & (np.abs(other.loads - load) <= 0.01 * load)
        if near.any():
            found[place] = int(np.flatnonzero(near)[0])
    return found


def _same_hold(first: Shape, second: Shape) -> bool:
    if (
        first.hold_times is None
        or second.hold_times is None
        or first.hold_load is None
        or second.hold_load is None
    ):
        return False
    alike = abs(first.hold_load - second.hold_load) <= 0.01 * first.hold_load
    return (
        alike
        and first.hold_times.shape == second.hold_times.shape
        and np.allclose(first.hold_times, second.hold_times)
    )


def _by_mean_curve(shape: Shape, stacked: Array) -> Callable[[Array], Array]:
    """Load from output by the mean ascending curve: monotone and smooth between its loads, straight beyond them."""
    up = np.flatnonzero(shape.descending == 0.0)
    loads, curve = shape.loads[up], stacked[..., up].mean(axis=(0, 1))
    if loads[0] > 0.0:
        loads, curve = np.append(0.0, loads), np.append(0.0, curve)
    if curve[-1] < 0.0:
        raise InvalidArgument("the output falls with the load: give an output that grows with it")
    if np.any(np.diff(curve) <= 0.0):
        raise InvalidArgument(
            "the mean curve of the bench does not grow with the load: check loads and wiring"
        )
    between = PchipInterpolator(curve, loads)
    first, last = (float(between.derivative()(end)) for end in (curve[0], curve[-1]))

    def indicate(values: Array) -> Array:
        inside = between(np.clip(values, curve[0], curve[-1]))
        below, above = np.minimum(values - curve[0], 0.0), np.maximum(values - curve[-1], 0.0)
        return np.asarray(inside + first * below + last * above)

    return indicate
