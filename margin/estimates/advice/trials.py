"""Trials of changed cases: one calibration option, few units, all on the same draws."""

from __future__ import annotations

import dataclasses

import numpy as np

from margin.backends.run import run
from margin.case.types import Case
from margin.estimates.advice.result import Action, Trial
from margin.estimates.intervals import section_half_width
from margin.estimates.yield_result import Estimate, Yield
from margin.estimates.yields import decisive_shares, yield_of
from margin.propagation.plan import growing_plan
from margin.propagation.run_result import RunResult

TRIAL_UNITS = 20_000
"""Units of a trial: by array operations a fraction of a second."""


def trial_case(case: Case, option: str, units: int = TRIAL_UNITS) -> Case:
    """The case with one calibration option and the units of a trial, no more than the case's own."""
    spec = next(each for each in case.calibrations if each.name == option)
    study = dataclasses.replace(case.study, units=min(units, case.study.units), draw="all units")
    if study.nested:
        study = dataclasses.replace(study, outer=None)
    return dataclasses.replace(case, calibrations=(spec,), study=study)


def drawn(case: Case, workers: int | None) -> RunResult:
    """Units of a trial: those of the first look of a study that draws on, which is large enough for a bound."""
    return run(case, plan=growing_plan(case).upto(0), workers=workers)


def yield_in(found: RunResult) -> Yield:
    """Decisive yield of the one option of a trial."""
    need = found.model.case.requirement
    (tally,) = found.tallies.values()
    return yield_of(found.plan.frame, tally, need.counts, need.confidence)


def saturated_share(found: RunResult) -> float:
    """Largest share of readings at a limit of circuit or converter over the check loads."""
    frame = found.plan.frame
    return float(np.max(found.clipped / (frame.units * frame.readings / frame.loads.size)))


def compared(action: Action, before: RunResult, after: RunResult) -> Trial:
    """A trial against the design before it, on the same draws."""
    need = after.model.case.requirement
    found = yield_in(after)
    (option,) = after.tallies
    difference = decisive_shares(after, option) - decisive_shares(before, next(iter(before.tallies)))
    change, half = float(difference.mean()), float(section_half_width(difference, need.confidence))
    return Trial(
        action=action,
        option=option,
        reached=found.sampled,
        bound=found.bound,
        verdict=found.verdict(need.target),
        change=Estimate(change, change - half, change + half),
    )
