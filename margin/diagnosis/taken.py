"""Readings of drawn prototypes in the way in which a plan takes them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from distributions import Stream
from margin.calibration.event import applied_load
from margin.case.types import CalibrationSpec, Case, Role
from margin.chain import Chain
from margin.chain.arrays import as_array
from margin.chain.parameter import Value
from margin.chain.setting import Setting
from margin.diagnosis.features import condense
from margin.diagnosis.occasions import FIRST, KeptUnits, Mounted, Occasion, SwappedSource, kept_units
from margin.diagnosis.plan import ObservationError, Plan, Step
from margin.diagnosis.situation import Situation, source_of
from margin.propagation.assemble import drawn_element, firmware_setting, lived, nominal_of
from margin.propagation.calibrated import Bench, Calibrated, calibrate, classes_of
from margin.propagation.draws import StreamSource
from margin.propagation.events import Event
from margin.propagation.readings import Readings, unloaded_event
from margin.propagation.variants import Variant

Array = NDArray[np.float64]

NONE = CalibrationSpec("design curve", "none")

INSTRUMENTS = (1e-3, 1e-4)
"""Standard deviation of a single reading by the instruments on the prototype: of the load, and of the top load (common
practice, no source). Without it a reading noise that no case states would be unusual."""

AT_REST = 1e4
"""s without load before each reading of a hold: nothing is late any more."""


@dataclass(frozen=True)
class Taken:
    """Loads that drawn prototypes indicate, N: (unit, run, step), and along the hold (unit, time), None without one.

    elsewhere  (unit, run, step) of each load cycle at another temperature
    """

    runs: Array
    held: Array | None
    elsewhere: tuple[Array, ...] = ()


def option_of(case: Case, plan: Plan) -> CalibrationSpec:
    """Calibration option by which the loads of a plan are reported.

    Raises ObservationError for a name that the case does not have.
    """
    if plan.option is None or plan.of_sensor:
        return NONE
    for option in case.calibrations:
        if option.name == plan.option:
            return option
    names = ", ".join(repr(option.name) for option in case.calibrations)
    raise ObservationError(f"no calibration option {plan.option!r} in the case: use one of {names}")


@np.errstate(all="ignore")  # what is not a number is found in the loads and refused there
def take(
    situation: Situation,
    plan: Plan,
    units: int,
    seed: int,
    occasion: Occasion = FIRST,
    drawn: KeptUnits | None = None,
) -> Taken:
    """Readings of drawn prototypes; the same seed gives the same units, the same occasion their same placements.

    drawn  the units of that seed, `kept_units`, where they serve for several situations

    Raises ObservationError for loads that are not numbers.
    """
    stream = Stream(seed)
    kept = kept_units(situation.designed, units, seed) if drawn is None else drawn
    source: Any = kept.source
    if occasion.swapped:
        source = SwappedSource(
            source, source_of(situation.designed, units, occasion.other_seed), occasion.swapped
        )
        kept = KeptUnits(kept.source)
    way = _Way(situation, plan, units, source, occasion, kept)
    runs_read = way.read(plan, plan.top, stream, occasion.name)
    elsewhere = tuple(
        way.read(part, plan.top, stream, f"{occasion.name}, part {number + 2}")
        for number, part in enumerate(plan.elsewhere)
    )
    held = None
    if plan.hold is not None:
        hold = plan.hold
        # each time by itself, from rest: what is late, in the load path or the filter, is then late since loading
        rest = Step(0.0, 0.0, AT_REST, hold.temperature)
        steps = tuple(
            step for time in hold.times for step in (rest, Step(hold.load, 0.0, time, hold.temperature))
        )
        event = Mounted(f"{occasion.name}, hold", readings=len(steps), mounting=occasion.mounting)
        whole = way.indicated(replace(plan, steps=steps, runs=1, mounting=()), event)[:, 0, 1::2]
        held = _by_instruments(whole, np.array(hold.load), plan.top, stream, f"{occasion.name}, hold")
    for values in (runs_read, *([] if held is None else [held]), *elsewhere):
        if not np.all(np.isfinite(values)):
            raise ObservationError(
                f"{situation.firmware.name}: drawn units indicate loads that are not numbers; look at the extremes of "
                "the spreads"
            )
    return Taken(runs_read, held, elsewhere)


def features_drawn(
    situation: Situation,
    plan: Plan,
    units: int,
    seed: int,
    occasion: Occasion = FIRST,
    drawn: KeptUnits | None = None,
) -> Array:
    """Features of drawn prototypes, (unit, feature); arguments as of `take`."""
    found = take(situation, plan, units, seed, occasion, drawn)
    return condense(plan, found.runs, found.held, found.elsewhere)


@dataclass(frozen=True)
class _Way:
    """How drawn units go through load cycles, each unit calibrated once."""

    situation: Situation
    plan: Plan
    units: int
    source: Any
    occasion: Occasion
    kept: KeptUnits

    @cached_property
    def calibrated(self) -> Calibrated:
        """Calibrations of the units, made once where they are those of the design."""
        situation, designed = self.situation, self.situation.designed
        if situation.calibrated is not designed or situation.firmware is not designed:
            return self._calibrate()
        if self.occasion.again or situation.branches is not None:
            return self._calibrate()
        name = option_of(designed, self.plan).name
        if name not in self.kept.calibrations:
            self.kept.calibrations[name] = self._calibrate()
        return self.kept.calibrations[name]

    def _calibrate(self) -> Calibrated:
        situation, source = self.situation, self.source
        option = option_of(situation.firmware, self.plan)
        if self.occasion.again and isinstance(source, StreamSource):
            names = (
                f"{f.name}{at}" for f in source.factors for at in ("@calibration", "@unloaded, calibration")
            )
            source = source.varied(Variant(source.scales, source.redrawn | frozenset(names)))
        case = replace(situation.calibrated, calibrations=(option,))
        bench = Bench(case, source, nominal_of(situation.firmware), self.units)
        classes = classes_of(option, bench) if option.kind == "classes" else None
        direction = situation.branches
        return calibrate(
            option if direction is None else replace(option, direction=direction), bench, classes
        )

    def read(self, plan: Plan, top: float, stream: Stream, what: str) -> Array:
        """Loads indicated over all runs of a plan, each mounting by itself, N, (unit, run, step), by the instruments.

        top   N, load by which the instruments err; what: keeps the draws apart from those of other load cycles
        """
        found = np.empty((self.units, plan.runs, len(plan.steps)))
        for mounting in np.unique(plan.mounted):
            which = plan.mounted == mounting
            number = self.occasion.mounting + int(mounting)
            event = Mounted(
                f"{what}, mounting {number + 1}",
                loadings=int(np.count_nonzero(which)),
                readings=len(plan.steps),
                mounting=number,
            )
            found[:, which] = self.indicated(plan, event)
        return _by_instruments(found, plan.of("load"), top, stream, what)

    def indicated(self, plan: Plan, event: Mounted) -> Array:
        """Loads that the units indicate, N, (unit, run, step)."""
        situation, source = self.situation, self.source
        nominal = nominal_of(situation.firmware)
        load = plan.of("load")
        for path in situation.paths:
            load = path(plan, load)
        still = replace(self._part("station", event), reference_scatter=0.0)
        setting = self._setting(plan, event)
        chain = _just_unloaded(self._chain(event), plan)
        response = chain.respond(applied_load(_along(load), still), setting)
        shape = (self.units, 1, event.loadings, len(plan.steps), 1)
        if plan.of_sensor:
            found = as_array(nominal.firmware.force_of_output(response.output, nominal.setting))
            return np.asarray(np.broadcast_to(found, shape)[:, 0, :, :, 0], dtype=np.float64)
        codes = _lagging(np.broadcast_to(as_array(response.code), shape), plan, situation)
        believed = firmware_setting(situation.firmware, event, source, setting, True)
        unloaded = None
        if option_of(situation.firmware, plan).rezero:
            unloaded = np.broadcast_to(self._zero(event, setting), shape)
        readings = Readings("prototype", codes, np.zeros(shape, dtype=bool), setting, believed, unloaded)
        reported = np.asarray(self.calibrated.load(readings), dtype=np.float64)
        result: Array = np.broadcast_to(reported, shape)[:, 0, :, :, 0]
        return result

    def _zero(self, event: Event, setting: Setting) -> Array:
        """Codes of the unit at rest before each run, with a reload scatter of their own."""
        before = unloaded_event(event)
        chain = self._chain(before)
        if hasattr(chain.sensor, "history_draw"):
            rested: Any = chain.sensor
            chain = replace(chain, sensor=replace(rested, history_draw=0.5))
        first = replace(
            setting,
            temperature=_first(setting.temperature),
            dwell=_first(setting.dwell),
            descending=_first(setting.descending),
            humidity=_first(setting.humidity),
        )
        return as_array(chain.respond(0.0, first).code)

    def _chain(self, event: Event) -> Chain:
        """Chain of the units as built."""
        return Chain(*(self._part(role, event) for role in ("interface", "sensor", "circuit", "converter")))

    def _part(self, role: Role, event: Event) -> Any:
        """Element of the units as built, drawn once where it is that of the design."""
        spec = self.situation.built.elements[role]
        unused = ("direction_draw",) if role == "use" else ()
        if spec is not self.situation.designed.elements[role]:
            return drawn_element(spec, event, self.source, None, unused)
        if (role, event) not in self.kept.parts:
            self.kept.parts[role, event] = drawn_element(spec, event, self.source, None, unused)
        return self.kept.parts[role, event]

    def _setting(self, plan: Plan, event: Event) -> Setting:
        case = self.situation.built
        use = self._part("use", event)
        humidity: Value = use.humidity
        if any(step.humidity is not None for step in plan.steps):
            stated = np.array([np.nan if s.humidity is None else s.humidity for s in plan.steps])
            humidity = np.where(np.isnan(_along(stated)), humidity, _along(stated))
        return Setting(
            temperature=_along(plan.of("temperature")) + self.situation.warming,
            dwell=_along(plan.of("dwell")),
            descending=_along(plan.of("descending")),
            # a hold follows the load cycle
            peak=plan.top if plan in self.plan.elsewhere else self.plan.top,
            age=plan.age,
            **lived(case.service, plan.age, use),
            humidity=humidity,
            reference_temperature=case.reference_temperature,
            reference_humidity=case.reference_humidity,
        )


def _along(values: Array) -> Array:
    """Values of the steps on the axis of readings."""
    return values.reshape(1, 1, 1, -1, 1)


def _first(value: Value) -> Value:
    """Of the first step, where a value varies over the steps."""
    return as_array(value)[..., :1, :] if np.ndim(value) == 5 else value


def _by_instruments(indicated: Array, load: Array, top: float, stream: Stream, what: str) -> Array:
    """Indicated loads (..., step) with the noise of the instruments."""
    drawn = ndtri(stream.uniforms(f"instruments, {what}", 0, indicated.size)).reshape(indicated.shape)
    of_load, of_top = INSTRUMENTS
    return np.asarray(indicated + np.hypot(of_load * load, of_top * top) * drawn)


def _just_unloaded(chain: Chain, plan: Plan) -> Chain:
    """The chain rested before a run and just unloaded after its top load: a zero return shows whole there."""
    sensor: Any = chain.sensor
    if not hasattr(sensor, "history_draw"):
        return chain
    after = plan.unloaded_after & (plan.of("descending") == 1.0)
    return replace(chain, sensor=replace(sensor, history_draw=_along(np.where(after, 1.0, 0.5))))


def _lagging(codes: Array, plan: Plan, situation: Situation) -> Array:
    """Codes of a signal that follows from step to step with the time constant of the situation."""
    if situation.lag == 0.0:
        return codes
    missing = np.exp(-plan.of("dwell") / situation.lag)
    before = codes[..., 0, :]
    found = np.empty(codes.shape)
    for place in range(codes.shape[-2]):
        before = codes[..., place, :] + (before - codes[..., place, :]) * missing[place]
        found[..., place, :] = np.round(before)
    return found
