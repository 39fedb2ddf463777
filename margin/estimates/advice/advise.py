"""What would help a design that does not conform: every action is evaluated before it is advised."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from margin.case.types import Case
from margin.estimates.advice.actions import Candidate, candidates
from margin.estimates.advice.limit import halving_multiple, passing_multiple, widened
from margin.estimates.advice.mending import FEW_UNITS, is_saturated, mending
from margin.estimates.advice.result import Action, Advice, Trial
from margin.estimates.advice.trials import compared, drawn, trial_case, yield_in
from margin.estimates.budget import RESOLVED, budget_of
from margin.estimates.yield_result import nearest_option
from margin.propagation.model import model_of
from margin.propagation.run_result import RunResult
from margin.propagation.tally import EvaluationError

MOST_CAUSES = 8
"""Leading causes for which actions are sought."""

TOGETHER = Action("calibration", "all of them", "all actions that raise the yield")


def advise(case: Case, option: str, budget: pd.DataFrame, *, workers: int | None = None) -> Advice:
    """Actions for one calibration option of a case, each tried by the engine.

    budget  of the case (see `Results.budget`): its leading causes decide which actions are worth a trial

    A saturated circuit is taken off its limits first, and everything else is tried on the circuit so changed, with
    the option that then comes nearest.
    """
    base = trial_case(case, option)
    first = drawn(base, workers)
    mend = mending(base, workers) if (saturated := is_saturated(base, workers)) else None
    mended: Trial | None = None
    start, before, leading = base, first, leading_causes(budget, option)
    if mend is not None:
        option = _nearest(mend.apply(case), workers)
        start = mend.apply(trial_case(case, option))
        before = drawn(start, workers)
        mended = compared(mend.action, drawn(trial_case(case, option), workers), before)
        leading = _leading_anew(start, workers)
    useful = _useful(candidates(start, leading), start, before, workers)
    helpful: list[tuple[Candidate, Trial]] = []
    if not useful and (factor := halving_multiple(before)) > 1.0:
        wide = widened(start, factor)
        helpful = _useful(candidates(start, leading), wide, drawn(wide, workers), workers)
    joint = start
    for each, _ in useful or helpful:
        joint = each.apply(joint)
    at_once = drawn(joint, workers) if len(useful) > 1 else None
    together = None if at_once is None else compared(TOGETHER, before, at_once)
    target = case.requirement.target
    verdicts = [yield_in(before).verdict(target), *(trial.verdict for _, trial in useful)]
    verdicts += [] if together is None else [together.verdict]
    solved = "conforms" in verdicts
    best = at_once or (drawn(joint, workers) if useful or helpful else before)
    return Advice(
        option=option,
        before=yield_in(before).bound,
        saturated=saturated,
        mending=mended,
        trials=tuple(trial for _, trial in useful),
        together=together,
        limiting=None if solved else _limiting(joint, workers),
        multiple=None if solved else passing_multiple(before, workers),
        multiple_together=None if solved or not (useful or helpful) else passing_multiple(best, workers),
        units=first.plan.frame.units,
        helpful=tuple(each.action for each, _ in helpful),
    )


def _nearest(case: Case, workers: int | None) -> str:
    """The option of a case that comes nearest, by trials."""
    options = [spec.name for spec in case.calibrations]
    return nearest_option({name: yield_in(drawn(trial_case(case, name), workers)) for name in options})


def _useful(
    among: Iterable[Candidate], start: Case, before: RunResult, workers: int | None
) -> list[tuple[Candidate, Trial]]:
    """Actions that certainly raise the yield of a case, with their trials, the largest gain first."""
    tried = ((each, _tried(each, start, before, workers)) for each in among)
    useful = [(each, trial) for each, trial in tried if trial is not None and trial.resolved]
    return sorted(useful, key=lambda pair: -pair[1].change.value)


def _tried(candidate: Candidate, start: Case, before: RunResult, workers: int | None) -> Trial | None:
    """The trial of one action; None where the chain refuses the changed case."""
    try:
        return compared(candidate.action, before, drawn(candidate.apply(start), workers))
    except EvaluationError:
        return None


def leading_causes(budget: pd.DataFrame, option: str) -> list[str]:
    """Resolved causes of one option, the largest effect on the error first."""
    rows = budget[
        (budget["option"] == option) & (budget["change"] == "frozen") & (budget["verdict"] == RESOLVED)
    ].sort_values(["rank", "error_change_N"], kind="stable")
    return [str(name) for name in rows["factor"].head(MOST_CAUSES)]


def _leading_anew(case: Case, workers: int | None) -> list[str]:
    few = trial_case(case, case.calibrations[0].name, FEW_UNITS)
    budget = budget_of(model_of(few), changes=("frozen",), workers=workers)
    return leading_causes(budget, case.calibrations[0].name)


def _limiting(case: Case, workers: int | None) -> str | None:
    """The physics that leads the error of a case: the cause without which it shrinks most; None below resolution."""
    few = trial_case(case, case.calibrations[0].name, FEW_UNITS)
    budget = budget_of(model_of(few), by=("cause",), changes=("frozen",), workers=workers)
    found = leading_causes(budget, case.calibrations[0].name)
    return found[0] if found else None
