"""What production, remounting and measurement explain: the figures of units like the prototype, read in its way."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from distributions.errors import InvalidArgument
from margin.case.types import CalibrationSpec, Case
from margin.chain.arrays import as_array
from margin.diagnosis.figures import Figure, Lack, Shape, errors_of, figures_of, lacking
from margin.diagnosis.plan import Hold, Plan, Step
from margin.diagnosis.prototype import Prototype
from margin.diagnosis.situation import as_designed
from margin.diagnosis.stated_temperatures import stated_temperatures
from margin.diagnosis.taken import INSTRUMENTS, take
from margin.propagation.assemble import Nominal, nominal_of

Array = NDArray[np.float64]
By = Literal["case", "bench"]

UNITS = 5000
"""Units drawn of a case: a chance of 1 % is then known to 0.16 %."""

AT_LEAST = 100
"""Fewest units drawn of a case."""


@dataclass(frozen=True)
class Baseline:
    """Units that the prototype is compared with, and the prototype's own figures in the same terms.

    by         'case': drawn by the engine; 'bench': measured
    figures    what is compared; own: (figure,), of the prototype; units: (unit, figure)
    indicated  (run, step), N, what the prototype indicates; errors: (unit, step), N, mean error of each unit
    elsewhere  (run, step), N, what the prototype indicates at each other temperature
    stated     degC, lowest and highest temperature for which the case states what units do
    load_range N, lowest and highest load in use of the case
    missing    figures that the data cannot give
    notes      what was assumed
    plan       how the prototype was read; None of measured units
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
    plan: Plan | None = None
    elsewhere: tuple[Array, ...] = ()
    stated: tuple[float, float] = (-math.inf, math.inf)
    load_range: tuple[float, float] = (0.0, math.inf)

    @property
    def option(self) -> str | None:
        """Calibration by which the prototype reports loads; None: the design curve."""
        return None if self.plan is None else self.plan.option


def from_case(
    case: Case,
    prototype: Prototype,
    *,
    option: str | None = None,
    units: int = UNITS,
    seed: int | None = None,
    age: float = 0.0,
) -> Baseline:
    """Units of the case drawn by the engine, each with its own lot and its own draw of what few sensors leave open.

    Every unit goes through the prototype's runs at their temperatures, after `age` hours of service; the reference load
    errs as that of the station, the humidity is that of use. Readings become loads by the design curve, or, where the
    prototype reports loads, by calibration `option` (None: the first of the case).

    Raises InvalidArgument where the readings are not such as the case's sensor and circuit give, and for an age that is
    no number of hours.
    """
    if isinstance(units, bool) or units != int(units) or units < AT_LEAST:
        raise InvalidArgument(f"units must be a whole number, {AT_LEAST} at least (got {units!r})")
    if not (math.isfinite(age) and age >= 0.0):
        raise InvalidArgument(f"the age is {age:g} h; state 0 or more, such as 1000")
    chosen = _option(case, option, prototype.shape) if prototype.quantity == "output" else None
    shape = prototype.shape
    reads = _reads(case, prototype, nominal_of(case))
    parts = (shape, *shape.elsewhere)
    indicated = [
        np.where(part.present, reads(np.where(part.present, values, 0.0)), np.nan)
        for part, values in zip(parts, (prototype.values, *prototype.elsewhere), strict=True)
    ]
    held = None if prototype.hold is None else reads(prototype.hold)
    read = [loads[part.present] for part, loads in zip(parts, indicated, strict=True)]
    for what in (*read, np.zeros(0) if held is None else held):
        if not np.isfinite(what).all():
            raise InvalidArgument(
                f"{prototype.source}: some readings give no load by the design curve of {case.name!r}: check the unit "
                "of the output, and that the case has the circuit that read it"
            )
    plan = plan_of(case, prototype, chosen, age)
    drawn = take(as_designed(case), plan, int(units), case.study.seed if seed is None else seed)
    figures, values = figures_of(shape, drawn.runs, drawn.held, drawn.elsewhere)
    own, *others = (np.where(part.present, loads, 1.0) for part, loads in zip(parts, indicated, strict=True))
    _, of_own = figures_of(shape, own, held, others)
    by = "by the design curve" if chosen is None else f"by calibration {chosen.name!r}"
    further = f", compared with {prototype.runs_elsewhere}" if prototype.elsewhere else ""
    notes = (
        *prototype.notes,
        f"readings are loads {by}; runs at {prototype.temperature:g} degC{further}",
        *([f"age: {age:g} h of service as the case states it"] if age > 0.0 else []),
        f"instruments are taken to scatter by {100.0 * INSTRUMENTS[0]:g} % of a load and {100.0 * INSTRUMENTS[1]:g} % "
        "of the top load",
    )
    return Baseline(
        "case", f"{units:,} units drawn of {case.name!r}", tuple(figures), of_own, values, shape, indicated[0], held,
        errors_of(shape, drawn.runs), lacking(shape), notes, plan, tuple(indicated[1:]), stated_temperatures(case),
        (case.load_low, case.load_high),
    )  # fmt: skip


def plan_of(case: Case, prototype: Prototype, option: CalibrationSpec | None, age: float = 0.0) -> Plan:
    """How the prototype was read at an age, h: its runs, mountings and hold, at the dwell of the design curve."""
    of_sensor = prototype.quantity in ("conductance", "ratio")

    def part(shape: Shape, elsewhere: tuple[Plan, ...] = ()) -> Plan:
        steps = tuple(
            Step(float(load), float(down), case.design_curve.dwell, shape.temperature)
            for load, down in zip(shape.loads, shape.descending, strict=True)
        )
        hold = None
        if shape.hold_times is not None and shape.hold_load is not None:
            hold = Hold(float(shape.hold_load), tuple(map(float, shape.hold_times)), shape.temperature)
        mounting = tuple(map(int, shape.mounting))
        name = None if option is None else option.name
        return Plan(steps, shape.runs, name, age, mounting, hold, of_sensor, elsewhere)

    return part(prototype.shape, tuple(part(each) for each in prototype.shape.elsewhere))


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
    if prototype.elsewhere:
        notes.append(
            f"{prototype.runs_elsewhere}, set aside beside those at {prototype.temperature:g} degC: measured units are "
            "compared at one temperature; compare with a case"
        )
    if abs(warm - prototype.temperature) > 2.0:
        notes.append(f"the prototype was read at {prototype.temperature:g} degC, the bench at {warm:g} degC")
    return Baseline(
        "bench", f"{len(bench)} sensors of {name}", tuple(figures), of_own, values, own.shape, indicated, own_hold,
        errors_of(own.shape, drawn), lacking(own.shape), tuple(notes),
    )  # fmt: skip


def _option(case: Case, name: str | None, shape: Shape) -> CalibrationSpec:
    there = [one.name for one in case.calibrations]
    if name is not None and name not in there:
        listed = ", ".join(map(repr, there))
        raise InvalidArgument(f"no calibration option {name!r} in {case.name!r}; there are {listed}")
    found = case.calibrations[0 if name is None else there.index(name)]
    if found.rezero and any(part.loads[0] != 0.0 for part in (shape, *shape.elsewhere)):
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
