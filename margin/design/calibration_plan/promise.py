"""Yields promised of the plans of a front, on draws that had no part in their choice."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

from margin.backends.run import run
from margin.case.types import CalibrationSpec, Case
from margin.design.calibration_plan.candidates import Candidate, Habits, name_of, with_dwell
from margin.design.calibration_plan.result import Plan
from margin.estimates.evaluate import PILOT_SEED
from margin.estimates.looks import confidence_at, decided, inner_size
from margin.estimates.stages import Stage, no_progress
from margin.estimates.yields import yield_of
from margin.propagation.model import model_of
from margin.propagation.plan import growing_plan, pilot_plan

PROMISE_UNITS = 200_000
"""Most units drawn for the yields that are promised."""


def joint_confidence(stated: float, plans: int) -> float:
    """Confidence of each of so many intervals that hold together with `stated` at least (Bonferroni's inequality)."""
    return 1.0 - (1.0 - stated) / max(plans, 1)


def named(case: Case, candidates: Sequence[Candidate]) -> list[Candidate]:
    """Candidates with names that differ: options that the case states keep theirs."""
    usual = Habits.of(case).dwell
    own = {Candidate(spec, usual).key: spec.name for spec in case.calibrations}
    taken: set[str] = set()
    found = []
    for each in candidates:
        plain = name = own.get(each.key, name_of(each, usual))
        number = 2
        while name in taken or (name in own.values() and own.get(each.key) != name):
            name, number = f"{plain} ({number})", number + 1
        taken.add(name)
        found.append(each.named(name))
    return found


def with_plans(
    case: Case, specs: Sequence[CalibrationSpec], dwell: float, units: int, confidence: float
) -> Case:
    """The case with these options, at a dwell of the station, and with that confidence of its intervals."""
    return dataclasses.replace(
        with_dwell(case, dwell),
        calibrations=tuple(specs),
        requirement=dataclasses.replace(case.requirement, confidence=confidence),
        study=dataclasses.replace(case.study, units=units),
    )


def promised(
    case: Case,
    candidates: Sequence[Candidate],
    *,
    units: int = PROMISE_UNITS,
    workers: int | None = None,
    stage: Stage = no_progress,
) -> tuple[Plan, ...]:
    """Plans with their yields, in the order given, by the draws of the case's own seed: those that `margin estimate`
    would take of the case with these options.

    Plans of one dwell are drawn together, until the quickest one that conforms is decided or `units` are drawn.
    """
    candidates = named(case, candidates)
    confidence = joint_confidence(case.requirement.confidence, len(candidates))
    usual = Habits.of(case).dwell
    found: dict[str, Plan] = {}
    progress = stage("yields of the plans on fresh draws", len(candidates))
    for dwell in sorted({each.dwell for each in candidates}):
        alike = [each for each in candidates if each.dwell == dwell]
        trial = with_plans(case, [each.spec for each in alike], dwell, units, confidence)
        model = model_of(trial)
        growing = case.study.draw == "until decided"
        inner = None
        if trial.study.nested:
            apart = dataclasses.replace(model, seed=case.study.seed ^ PILOT_SEED)
            inner = inner_size(run(trial, plan=pilot_plan(trial), model=apart, workers=workers))
        plan = growing_plan(trial, inner)
        drawn = run(trial, plan=plan, enough=decided if growing else None, model=model, workers=workers)
        need = trial.requirement
        at = confidence_at(trial, drawn.plan)
        for each in alike:
            reached = yield_of(drawn.plan.frame, drawn.tallies[each.spec.name], need.counts, at)
            found[each.spec.name] = Plan(
                each.spec,
                dwell,
                dwell != usual,
                each.seconds(case),
                reached.sampled,
                reached.bound,
                reached.verdict(need.target),
                drawn.plan.frame.units,
            )
        progress(len(alike))
    return tuple(found[each.spec.name] for each in candidates)


def confirmed(plans: Sequence[Plan]) -> tuple[tuple[Plan, ...], tuple[str, ...]]:
    """Plans whose promised yield is above that of every quicker one with no more parts, and the names of the others.

    The quicker plan serves within any time that the longer one would take, so that the front never falls.
    """
    kept: list[Plan] = []
    dropped: list[str] = []
    for each in sorted(plans, key=lambda p: (p.seconds, p.thermometer)):
        quicker = [p.reached.value for p in kept if p.thermometer <= each.thermometer]
        if not quicker or each.reached.value > max(quicker):
            kept.append(each)
        else:
            dropped.append(each.name)
    return tuple(kept), tuple(dropped)


def chosen_of(plans: Sequence[Plan]) -> Plan:
    """The quickest plan that conforms, without a thermometer before one with; else that of the highest bound, among
    those whose bounds the draws do not tell apart from it that of the highest yield (as `nearest_option`)."""
    for each in sorted(plans, key=lambda p: (p.seconds, p.thermometer)):
        if each.verdict == "conforms":
            return each
    best = max(each.bound.value for each in plans)
    alike = [each for each in plans if each.bound.high >= best]
    return max(alike, key=lambda p: p.reached.value)
