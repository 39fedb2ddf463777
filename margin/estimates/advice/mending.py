"""A gain or a pedestal that takes a saturated circuit off its limits."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

from margin.case import units
from margin.case.types import Case
from margin.chain.checks import HEADROOM
from margin.chain.preferred_values import e24_near
from margin.estimates.advice.actions import Candidate
from margin.estimates.advice.result import Action, ActionKind
from margin.estimates.advice.trials import drawn, saturated_share, trial_case
from margin.estimates.decision import NOTICEABLE
from margin.estimates.design_checks import design_checks

FEW_UNITS = 4000
STEPS = (1, 2, 4, 8, 16, 32)
"""Steps of E24 to either side, up to more than a decade."""

PEDESTALS = (0.02, 0.05, 0.1, 0.2, 0.3)
"""Of the reference."""


def is_saturated(case: Case, workers: int | None) -> bool:
    """Whether readings are at a limit, or the headroom at the largest load is exceeded.

    case  of a trial (see `trial_case`)
    """
    found = drawn(trial_case(case, case.calibrations[0].name, FEW_UNITS), workers)
    if saturated_share(found) > NOTICEABLE:
        return True
    checks = design_checks(found.model, found.plan)
    return any(check.name == HEADROOM and check.verdict == "exceeded" for check in checks)


def mending(case: Case, workers: int | None) -> Candidate | None:
    """The smallest change of gain, else of the pedestal, that no longer saturates; None where there is none.

    Gains are tried in steps of E24 that double, to both sides; between the last that saturates and the first that does
    not the change is narrowed down by halves: on each side a gain further off saturates less.
    """
    spec = case.elements["circuit"]
    gain = getattr(spec.cls, "gain_key", None)
    if gain is not None:
        nominal = spec.quantities[gain].nominal

        def at(steps: int) -> Candidate:
            return _set("gain", gain, e24_near(nominal, steps), case)

        for far in STEPS:
            for side in (-1, 1):
                if _mends(at(side * far), case, workers):
                    return _nearest([at(side * k) for k in range(far // 2 + 1, far + 1)], case, workers)
    pedestal = getattr(spec.cls, "pedestal_key", None)
    if pedestal is not None:
        for ratio in PEDESTALS:
            if ratio > spec.quantities[pedestal].nominal:
                raised = _set("pedestal", pedestal, ratio, case)
                if _mends(raised, case, workers):
                    return raised
    return None


def _mends(candidate: Candidate, case: Case, workers: int | None) -> bool:
    try:
        return not is_saturated(candidate.apply(case), workers)
    except ValueError:  # a value that the circuit refuses, or at which the chain has no number
        return False


def _nearest(choices: Sequence[Candidate], case: Case, workers: int | None) -> Candidate:
    """The first choice that mends, by halves, where the last one does."""
    least, most = -1, len(choices) - 1
    while most - least > 1:
        middle = (least + most) // 2
        least, most = (least, middle) if _mends(choices[middle], case, workers) else (middle, most)
    return choices[most]


def _set(kind: ActionKind, key: str, value: float, case: Case) -> Candidate:
    def apply(case: Case) -> Case:
        spec = case.elements["circuit"]
        changed = dataclasses.replace(spec.quantities[key], nominal=value)
        circuit = dataclasses.replace(spec, quantities={**spec.quantities, key: changed})
        return dataclasses.replace(case, elements={**case.elements, "circuit": circuit})

    quantity = case.elements["circuit"].quantities[key]
    was, becomes = (units.show(each, quantity.unit) for each in (quantity.nominal, value))
    return Candidate(Action(kind, quantity.name, f"{becomes} in place of {was}"), apply)
