"""A small study of a pad and its load cycle, from which tests of a diagnosis draw prototypes. All values invented."""

from __future__ import annotations

import numpy as np
from pad_study import NONE, ONE_POINT, pad_case

from margin.case import Case
from margin.diagnosis.catalogue import Cause, causes_of
from margin.diagnosis.observation import Observation
from margin.diagnosis.plan import Plan, load_cycle
from margin.diagnosis.situation import Situation, as_designed
from margin.diagnosis.taken import take

CYCLE = load_cycle([6.0, 20.0, 40.0, 60.0], runs=4, temperature=25.0, hold=60.0)


def small_case() -> Case:
    """A pad with spreads in sensor, mechanics and circuit; its amplifier clips above the range."""
    return pad_case(
        NONE,
        ONE_POINT,
        sensor={
            "sensitivity": "4 uS +/- 5 % (2 sigma)", "exponent": "0.9 +/- 0.02 (2 sigma)", "reload_scatter": "1 %",
            "hysteresis": "2 % +/- 0.5 % (2 sigma)", "creep": "2 % +/- 0.5 % (2 sigma)",
            "zero_return": "0.5 % +/- 0.1 % (2 sigma)", "offset_conductance": "0.2 uS +/- 0.04 uS (2 sigma)",
            "series_resistance": "100 ohm",
        },
        interface={
            "kind": "load concentrator", "concentrator_radius": "4.5 mm", "sensing_radius": "5 mm",
            "placement": "0.1 mm", "tilt": "1 deg", "preload": "1 N +/- 0.2 N (2 sigma)",
        },
        circuit={
            "kind": "inverting amplifier", "reference": "1.2 V", "feedback": "60 kohm +/- 1 %",
            "offset": "0 mV +/- 1 mV (2 sigma)", "swing_high": "1.19 V",
        },
        converter={"bits": 14, "noise": 0.7},
    )  # fmt: skip


def cause_named(case: Case, name: str) -> Cause:
    """Cause of the catalogue of that name."""
    return next(cause for cause in causes_of(case) if cause.name == name)


def prototypes(
    case: Case, plan: Plan, cause: Cause | None, size: float, count: int, seed: int
) -> list[Observation]:
    """Drawn prototypes with a cause of that size, or without."""
    return drawn(
        as_designed(case) if cause is None else cause.apply(as_designed(case), size), plan, count, seed
    )


def drawn(situation: Situation, plan: Plan, count: int, seed: int) -> list[Observation]:
    """Prototypes drawn of a situation."""
    found = take(situation, plan, count, seed)
    held = [None] * count if found.held is None else list(found.held)
    return [
        Observation(
            plan,
            np.array(runs),
            held=None if hold is None else np.array(hold),
            elsewhere=tuple(part[unit] for part in found.elsewhere),
        )
        for unit, (runs, hold) in enumerate(zip(found.runs, held, strict=True))
    ]
