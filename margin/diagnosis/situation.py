"""A prototype as built, against the design that its firmware counts on, and its readings drawn by the engine."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from distributions import Stream
from margin.case.types import CalibrationSpec, Case, ElementSpec, Role
from margin.chain import Chain
from margin.chain.laws import absent
from margin.chain.parameter import Level, Value
from margin.chain.setting import Setting
from margin.diagnosis.observation import ObservationError, Plan
from margin.propagation.assemble import drawn_chain, drawn_element, firmware_setting, nominal_of
from margin.propagation.calibrated import Bench, calibrate, classes_of
from margin.propagation.dependence import dependent_groups
from margin.propagation.draws import LotSamples, StreamSource
from margin.propagation.events import Event
from margin.propagation.factors import Factor, factors_of
from margin.propagation.grouping import Grouping
from margin.propagation.readings import Readings

Array = NDArray[np.float64]
LoadPath = Callable[[Plan, Array], Array]
"""From the load of the reference, N, (step,), to the load that reaches the unit."""

NONE = CalibrationSpec("design curve", "none")


@dataclass(frozen=True)
class Situation:
    """How one prototype came to be and is used.

    designed    quantities of a unit of which nothing is unusual, with their spreads
    built       quantities of the unit in use, with the spreads of the design
    calibrated  quantities at its calibration
    firmware    quantities that its firmware counts on
    paths       what happens to the load before it reaches the unit
    lag         s, time constant of the signal beyond that of the design; 0: none
    warming     K by which the unit is warmer than stated
    branches    branch of the calibration in place of that of the option; None: as stated
    """

    designed: Case
    built: Case
    calibrated: Case
    firmware: Case
    paths: tuple[LoadPath, ...] = ()
    lag: float = 0.0
    warming: float = 0.0
    branches: Any = None

    def with_built(self, values: dict[str, float], calibrated: bool = True) -> Situation:
        """Other nominal values by quantity name ('sensor.creep'), SI; calibrated: from before the calibration."""
        found = replace(self, built=with_nominal(self.built, values))
        return replace(found, calibrated=with_nominal(self.calibrated, values)) if calibrated else found


def as_designed(case: Case) -> Situation:
    """A prototype of which nothing is unusual."""
    return Situation(case, case, case, case)


def nominal(case: Case, name: str) -> float:
    """Nominal value of a quantity, SI; KeyError where the case has none of that name."""
    role, _, field = name.partition(".")
    return case.elements[role].quantities[field].nominal  # type: ignore[index]


def has(case: Case, *names: str) -> bool:
    """Whether the chain of a case has all of these quantities."""
    pairs = (name.partition(".")[::2] for name in names)
    return all(field in case.elements[role].quantities for role, field in pairs)  # type: ignore[index]


def with_nominal(case: Case, values: dict[str, float]) -> Case:
    """The case with other nominal values; spreads stay as they are."""
    elements = dict(case.elements)
    for name, value in values.items():
        role, _, field = name.partition(".")
        spec = elements[role]  # type: ignore[index]
        changed = replace(spec.quantities[field], nominal=float(value))
        elements[role] = replace(spec, quantities={**spec.quantities, field: changed})  # type: ignore[index]
    return replace(case, elements=elements)


def exact(spec: ElementSpec) -> ElementSpec:
    """The element without spreads: a fixture or circuit of the bench, whose values are known."""
    return replace(spec, quantities={k: replace(q, spreads=()) for k, q in spec.quantities.items()})


@dataclass(frozen=True)
class Cycle(Event):
    """Occasion of a load cycle: a placement lasts for the whole of a run."""

    def axes(self, level: Level) -> tuple[int, int, int, int]:
        return (1, self.loadings, 1, 1) if level == "loading" else super().axes(level)


@dataclass(frozen=True)
class SwappedSource:
    """Draws of one unit with those of another for the roles that were swapped."""

    own: StreamSource
    other: StreamSource
    swapped: frozenset[Role]

    def _of(self, factor: Factor) -> StreamSource:
        return self.other if factor.role in self.swapped else self.own

    def deviation(self, factor: Factor, event: Event) -> Value:
        """Deviation of a factor from whichever unit its part is of."""
        return self._of(factor).deviation(factor, event)

    def scaled(self, factor: Factor, value: Value) -> Value:
        """The quantity as it is: nothing is scaled here."""
        return value

    def lot_samples(self, each: int) -> LotSamples:
        """Sample units of the lots of the unit itself."""
        return self.own.lot_samples(each)


def source_of(case: Case, units: int, seed: int) -> StreamSource:
    """Draws of single prototypes, each of its own lot, station and knowledge of the spreads."""
    factors = factors_of(case)
    groups = dependent_groups(factors, case.dependences)
    return StreamSource(factors, Stream(seed), Grouping(1, 1), 0, units, "random", groups)


def option_of(case: Case, plan: Plan) -> CalibrationSpec:
    """Calibration option by which the loads of a plan are reported.

    Raises ObservationError for a name that the case does not have.
    """
    if plan.option is None:
        return NONE
    for option in case.calibrations:
        if option.name == plan.option:
            return option
    names = ", ".join(repr(option.name) for option in case.calibrations)
    raise ObservationError(f"no calibration option {plan.option!r} in the case: use one of {names}")


@np.errstate(all="ignore")
def draw_readings(
    situation: Situation,
    plan: Plan,
    units: int,
    seed: int,
    swapped: frozenset[Role] = frozenset(),
    other_seed: int = 0,
) -> Array:
    """Loads that drawn prototypes report, N, (unit, run, step); the same seed gives the same units.

    swapped  roles whose parts are those of another drawn unit, by other_seed
    """
    option = option_of(situation.firmware, plan)
    source: Any = source_of(situation.firmware, units, seed)
    if swapped:
        source = SwappedSource(source, source_of(situation.firmware, units, other_seed), swapped)
    event = Cycle("load cycle of a prototype", loadings=plan.runs, loads=len(plan.steps))
    setting = _setting(situation, plan, event, source)
    load = plan.of("load")
    for path in situation.paths:
        load = path(plan, load)
    found = nominal_of(situation.firmware)
    chain = _with_history(drawn_chain(situation.built, event, source, "finished product"), plan)
    response = chain.respond(load, setting)
    shape = (units, 1, plan.runs, 1, len(plan.steps))
    codes = _lagging(np.broadcast_to(response.code, shape), plan, situation)
    unloaded = None
    if option.rezero:
        unloaded = np.broadcast_to(chain.respond(0.0, setting).code, (*shape[:-1], shape[-1]))
    corrected = firmware_setting(situation.firmware, event, source, setting, True)
    readings = Readings("prototype", codes, np.zeros(shape, dtype=bool), setting, corrected, unloaded)
    calibrated = replace(situation.calibrated, calibrations=(option,))
    bench = Bench(calibrated, source, found, units)
    seen = option if situation.branches is None else replace(option, direction=situation.branches)
    classes = classes_of(option, bench) if option.kind == "classes" else None
    reported = np.asarray(calibrate(seen, bench, classes).load(readings), dtype=np.float64)
    if not np.all(np.isfinite(reported)):
        raise ObservationError(
            "the chain gave loads that are not numbers: look at the extremes of the spreads"
        )
    result: Array = np.broadcast_to(reported, shape)[:, 0, :, 0, :]
    return result


def _setting(situation: Situation, plan: Plan, event: Event, source: Any) -> Setting:
    case = situation.built
    drawn = drawn_element(case.elements["use"], event, source).humidity
    humidity: Value = drawn
    if any(step.humidity is not None for step in plan.steps):
        stated = np.array([np.nan if s.humidity is None else s.humidity for s in plan.steps])
        humidity = np.where(np.isnan(stated), drawn, stated)
    return Setting(
        temperature=plan.of("temperature") + situation.warming,
        dwell=plan.of("dwell"),
        descending=plan.of("descending"),
        peak=plan.top,
        age=plan.age,
        humidity=humidity,
        reference_temperature=case.reference_temperature,
        reference_humidity=case.reference_humidity,
    )


def _with_history(chain: Chain, plan: Plan) -> Chain:
    """The sensor with all of its zero return after the top load, and what earlier runs left before it."""
    sensor: Any = chain.sensor
    if absent(getattr(sensor, "zero_return", 0.0)) or not hasattr(sensor, "history_draw"):
        return chain
    history = np.where(plan.unloaded_after, 1.0, sensor.history_draw)
    return replace(chain, sensor=dataclasses.replace(sensor, history_draw=history))


def _lagging(codes: Array, plan: Plan, situation: Situation) -> Array:
    """Codes of a signal that follows from step to step with the time constant of the situation."""
    if situation.lag == 0.0:
        return codes
    missing = np.exp(-plan.of("dwell") / situation.lag)
    before = codes[..., 0]
    found = np.empty(codes.shape)
    for place in range(codes.shape[-1]):
        before = codes[..., place] + (before - codes[..., place]) * missing[place]
        found[..., place] = np.round(before)
    return found
