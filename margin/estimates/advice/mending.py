"""A gain or a pedestal that takes a saturated circuit off its limits."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator

from margin.case import units
from margin.case.types import Case
from margin.chain.checks import HEADROOM
from margin.chain.preferred_values import e24_near
from margin.estimates.advice.actions import Candidate
from margin.estimates.advice.result import Action, ActionKind
from margin.estimates.advice.trials import SATURATED, drawn, saturated_share, trial_case
from margin.estimates.design_checks import design_checks

FEW_UNITS = 4000
STEPS = 24
"""Steps of E24 to either side: a decade."""

PEDESTALS = (0.02, 0.05, 0.1, 0.2, 0.3)
"""Of the reference."""


def is_saturated(case: Case, workers: int | None) -> bool:
    """Whether readings are at a limit, or the headroom at the largest load is exceeded.

    case  of a trial (see `trial_case`)
    """
    found = drawn(trial_case(case, case.calibrations[0].name, FEW_UNITS), workers)
    if saturated_share(found) > SATURATED:
        return True
    checks = design_checks(found.model, found.plan)
    return any(check.name == HEADROOM and check.verdict == "exceeded" for check in checks)


def mending(case: Case, workers: int | None) -> Candidate | None:
    """The smallest change of gain, else of the pedestal, that no longer saturates; None where there is none."""
    for candidate in _changes(case):
        try:
            saturated = is_saturated(candidate.apply(case), workers)
        except ValueError:  # a value that the circuit refuses, or at which the chain has no number
            continue
        if not saturated:
            return candidate
    return None


def _changes(case: Case) -> Iterator[Candidate]:
    """Gains from the nearest on, to both sides in turn; then pedestals."""
    spec = case.elements["circuit"]
    gain = getattr(spec.cls, "gain_key", None)
    if gain is not None:
        nominal = spec.quantities[gain].nominal
        for step in range(1, STEPS + 1):
            for towards in (-step, step):
                yield _set("gain", gain, e24_near(nominal, towards), case)
    pedestal = getattr(spec.cls, "pedestal_key", None)
    if pedestal is not None:
        for ratio in PEDESTALS:
            if ratio > spec.quantities[pedestal].nominal:
                yield _set("pedestal", pedestal, ratio, case)


def _set(kind: ActionKind, key: str, value: float, case: Case) -> Candidate:
    def apply(case: Case) -> Case:
        spec = case.elements["circuit"]
        changed = dataclasses.replace(spec.quantities[key], nominal=value)
        circuit = dataclasses.replace(spec, quantities={**spec.quantities, key: changed})
        return dataclasses.replace(case, elements={**case.elements, "circuit": circuit})

    quantity = case.elements["circuit"].quantities[key]
    was, becomes = (units.show(each, quantity.unit) for each in (quantity.nominal, value))
    return Candidate(Action(kind, quantity.name, f"{becomes} in place of {was}"), apply)
