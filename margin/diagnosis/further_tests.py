"""Tests that tell sensor, mechanics and circuit of a prototype apart, and what the engine predicts for them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from margin.case.types import Case, Role
from margin.diagnosis.by_instruments import constants_read, has_constants, measured_values, on_the_board
from margin.diagnosis.occasions import KeptUnits, Occasion
from margin.diagnosis.plan import Plan, Step
from margin.diagnosis.situation import Situation, exact, fixed, has, nominal, with_nominal
from margin.diagnosis.taken import features_drawn

Array = NDArray[np.float64]

OTHER_UNIT = 7_919
"""Added to the seed for the parts of a good unit."""


@dataclass(frozen=True)
class FurtherTest:
    """One test of a prototype.

    minutes  effort, without setting up (common practice, no source)
    cycle    load cycle of the test, from that of the observation
    exact    roles that a fixture or circuit of the bench with known values stands for
    swapped  roles that a good unit lends; again: the prototype is calibrated again as it is now
    remounted  the unit is taken out of its mounting for it
    set_to     quantities that the set-up of the test fixes, with their values, SI: no tilt, no housing
    by         what is measured in place of a load cycle, (situation, units, seed, draws) to (unit, value)
    """

    name: str
    minutes: float
    cycle: Callable[[Plan], Plan] = field(repr=False)
    exact: frozenset[Role] = frozenset()
    swapped: frozenset[Role] = frozenset()
    again: bool = False
    remounted: bool = False
    set_to: tuple[tuple[str, float], ...] = ()
    by: Callable[[Situation, int, int, KeptUnits | None], Array] | None = field(default=None, repr=False)

    def outcome(
        self, situation: Situation, plan: Plan, units: int, seed: int, drawn: KeptUnits | None = None
    ) -> Array:
        """Features of drawn outcomes, (unit, feature); the same seed gives the units of the observation."""
        if self.by is not None:
            return self.by(situation, units, seed, drawn)
        mounting = plan.last_mounting + self.remounted
        occasion = Occasion(self.name, mounting, self.swapped, seed + OTHER_UNIT, self.again)
        return features_drawn(self._arranged(situation), self.cycle(plan), units, seed, occasion, drawn)

    def _arranged(self, situation: Situation) -> Situation:
        """The prototype with these parts in place of its own."""
        replaced = self.exact | self.swapped
        design = situation.firmware if "firmware" not in replaced else situation.designed
        elements = dict(situation.built.elements)
        for role in replaced:
            spec = situation.designed.elements[role]
            elements[role] = exact(spec) if role in self.exact else spec
        built = fixed(replace(situation.built, elements=elements), self.set_to)
        if "sensor" in self.exact and has(built, "sensor.lead_resistance"):
            lead = nominal(situation.built, "sensor.lead_resistance")
            built = with_nominal(built, {"sensor.lead_resistance": lead})
        found = replace(situation, built=built, firmware=design)
        if "interface" in replaced:
            found = replace(found, paths=())
        if "circuit" in replaced:
            found = replace(found, lag=0.0)
        if self.exact and "sensor" not in self.exact:
            found = replace(found, warming=0.0)
        if self.again:
            found = replace(found, calibrated=found.built, branches=None)
        return found


def shunt_resistance(gauge: float, gauge_factor: float, strain: float) -> float:
    """Resistor, ohm, across one gauge of a bridge that stands for a compressive strain: R / (GF strain) - R.

    Shunt calibration of a quarter bridge (handbook formula, from memory); strain as a number, 0.001 for 1000
    microstrain.

    >>> round(shunt_resistance(120.0, 2.0, 0.001))
    59880
    """
    return gauge / (gauge_factor * strain) - gauge


def further_tests(case: Case, plan: Plan) -> tuple[FurtherTest, ...]:
    """Tests that suit the chain of a case and add to what the plan has already."""
    bridge = getattr(case.elements["sensor"].cls, "output_kind", "") == "ratio" or (
        case.elements["sensor"].options.get("output_kind") == "ratio"
    )
    substitute = "shunt calibration of the bridge" if bridge else "fixed resistor in place of the sensor"
    found = [
        FurtherTest(
            substitute, 5.0 if bridge else 10.0, _rising, exact=frozenset({"sensor", "interface"}), remounted=True
        ),
        FurtherTest(
            "known voltage at the converter", 15.0, _rising, exact=frozenset({"sensor", "interface", "circuit"})
        ),
        FurtherTest(
            "sensor back on the bench", 30.0, _bench,
            exact=frozenset({"interface", "circuit", "converter", "firmware"}), remounted=True,
        ),
        FurtherTest(
            "circuit board of a good unit", 20.0, _bench, swapped=frozenset({"circuit", "converter", "firmware"})
        ),
        FurtherTest("sensor of a good unit", 30.0, _bench, swapped=frozenset({"sensor"}), remounted=True),
        FurtherTest(
            "concentrator and housing of a good unit", 30.0, _bench, swapped=frozenset({"interface"}), remounted=True
        ),
        FurtherTest("the same cycle again", 10.0, _again),
        FurtherTest("the same cycle after remounting", 20.0, _again, remounted=True),
        FurtherTest("hold at the top load", 5.0, _hold),
        FurtherTest("slow and fast cycle", 10.0, _slow_and_fast),
        FurtherTest("another temperature", 90.0, _warmed),
    ]  # fmt: skip
    found += [
        FurtherTest(name, minutes, _bench, remounted=remounted, set_to=fixed_values)
        for name, minutes, remounted, fixed_values in _SET_UPS
        if any(has(case, quantity) for quantity, _ in fixed_values)
    ]
    board = on_the_board(case)
    if board:
        found.append(
            FurtherTest(
                "multimeter on the circuit board", 20.0, _rising,
                by=lambda situation, units, seed, drawn: measured_values(situation, board, units, seed, drawn),
            )
        )  # fmt: skip
    if has_constants(case):
        found.append(
            FurtherTest(
                "constants of the firmware read out", 10.0, _rising,
                by=lambda situation, units, seed, _: constants_read(situation, units, seed),
            )
        )  # fmt: skip
    if not plan.of("descending").any():
        found.append(FurtherTest("readings while unloading", 5.0, _unloading))
    if plan.option is not None:
        found.append(FurtherTest("calibrate again", 15.0, _again, again=True))
    return tuple(found)


_SET_UPS: tuple[tuple[str, float, bool, tuple[tuple[str, float], ...]], ...] = (
    ("load through a ball joint", 15.0, False, (("interface.tilt", 0.0),)),
    ("concentrator centred by a jig", 20.0, True, (("interface.placement", 0.0),)),
    (
        "housing taken off", 20.0, True,
        (("interface.parallel_stiffness", 0.0), ("interface.stop_force", 1e9)),
    ),
)  # fmt: skip
"""Name, minutes, whether the unit is remounted, and what the set-up fixes (a stop at 1e9 N is none)."""


def _base(plan: Plan) -> Step:
    return plan.steps[0]


def _loads(plan: Plan) -> list[float]:
    return sorted({step.load for step in plan.steps if step.load > 0.0})


def _up(plan: Plan) -> list[Step]:
    base = _base(plan)
    return [replace(base, load=load, descending=0.0) for load in (0.0, *_loads(plan))]


def _rising(plan: Plan) -> Plan:
    """Ascending steps alone, read by the design curve."""
    return Plan(tuple(_up(plan)), 3, None, plan.age)


def _bench(plan: Plan) -> Plan:
    """The load cycle of the observation, read by the design curve."""
    return replace(_again(plan), option=None)


def _again(plan: Plan) -> Plan:
    """The cycle of the observation over three runs, without its hold and its other temperatures."""
    return replace(plan, runs=3, mounting=(), hold=None, elsewhere=())


def _unloading(plan: Plan) -> Plan:
    down = [replace(step, descending=1.0) for step in reversed(_up(plan)[:-1])]
    return replace(_again(plan), steps=(*_up(plan), *down))


def _hold(plan: Plan) -> Plan:
    top = _up(plan)[-1]
    held = [replace(top, dwell=top.dwell * factor) for factor in (10.0, 100.0)]
    return replace(_again(plan), steps=(*_up(plan)[:1], top, *held))


def _slow_and_fast(plan: Plan) -> Plan:
    """Cycles with a dwell ten times as short and thirty times as long."""
    steps: list[Step] = []
    loads = _loads(plan)
    for factor in (1.0, 0.1, 30.0):
        base = replace(_base(plan), dwell=_base(plan).dwell * factor)
        middle = loads[len(loads) // 2 - 1]
        steps += [replace(base, load=0.0), replace(base, load=middle), replace(base, load=loads[-1])]
        steps += [replace(base, load=middle, descending=1.0)]
    return replace(_again(plan), steps=tuple(steps))


def _warmed(plan: Plan) -> Plan:
    up = _up(plan)
    warmed = (replace(step, temperature=step.temperature + 15.0) for step in up)
    return replace(_again(plan), steps=(*up, *warmed))
