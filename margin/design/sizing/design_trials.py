"""Designs on the full chain: units drawn on common random numbers, and the lower bound of the best."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from margin.backends.run import run
from margin.case.changes import with_changes
from margin.case.types import Case
from margin.chain.checks import HEADROOM
from margin.design.sizing.designs import Design, changes_of
from margin.design.sizing.nominal_screen import OF_THE_CHAIN
from margin.estimates.advice.trials import trial_case, yield_in
from margin.estimates.design_checks import design_checks
from margin.estimates.intervals import clopper_pearson
from margin.estimates.results import DesignCheck
from margin.estimates.yield_result import Estimate, Yield, nearest_option
from margin.estimates.yields import yield_of
from margin.propagation.histogram import quantile
from margin.propagation.plan import growing_plan
from margin.propagation.run_result import RunResult
from margin.propagation.tally import RATIO_BINS, EvaluationError
from margin.propagation.threads import default_workers

FEW_OUTER, FEW_PER_DRAW = 100, 32
"""Outer draws and units in each of a trial: the sizes at which a hundred designs take seconds."""

BOUND_UNITS = 40_000
"""Most units of the trial that gives a lower bound."""

CONCERNING = frozenset({HEADROOM, *OF_THE_CHAIN})


@dataclass(frozen=True)
class Trial:
    """A design on the full chain with one calibration option.

    error    multiple of the permissible error within which the required share of units lies at every check point
    clipped  share of readings at a limit at the worst load; its interval counts a unit's readings as one
    checks   design checks over drawn units, of a design with a lower bound; () of others
    """

    found: Yield
    error: float
    clipped: Estimate
    units: int
    checks: tuple[DesignCheck, ...] = ()


def leading_option(case: Case) -> str:
    """The option that comes nearest to the requirement with the design as it stands, by a trial; else the first."""
    try:
        found = run(_few(case), workers=1)
    except (EvaluationError, ValueError):
        return case.calibrations[0].name
    need = case.requirement
    return nearest_option(
        {
            name: yield_of(found.plan.frame, tally, need.counts, need.confidence)
            for name, tally in found.tallies.items()
        }
    )


def _few(case: Case) -> Case:
    """The case with the units of a trial, all drawn."""
    outer = FEW_OUTER if case.study.nested else 1
    units = min(FEW_OUTER * FEW_PER_DRAW, case.study.units)
    study = dataclasses.replace(case.study, units=units, outer=outer, draw="all units")
    return dataclasses.replace(case, study=study)


def compared(
    case: Case,
    designs: Sequence[Design],
    option: str,
    *,
    bound: bool,
    swing_high: float | None = None,
    workers: int | None = None,
    progress: Callable[[int], None] = lambda done: None,
) -> list[Trial | None]:
    """Each design on the same draws; None where the case refuses the design, or the chain gives no number.

    bound  with the units for a lower bound, and with design checks
    """

    def tried(design: Design) -> Trial | None:
        try:
            found = trial_of(with_changes(case, changes_of(case, design, swing_high)), option, bound=bound)
        except (EvaluationError, ValueError):
            found = None
        progress(1)
        return found

    with ThreadPoolExecutor(max_workers=workers or default_workers()) as pool:
        return list(pool.map(tried, designs))


def trial_of(case: Case, option: str, *, bound: bool) -> Trial:
    """One case with one option. Raises EvaluationError where the chain gives no number."""
    if not bound:
        spec = next(each for each in case.calibrations if each.name == option)
        return _measured(run(_few(dataclasses.replace(case, calibrations=(spec,))), workers=1))
    chosen = trial_case(case, option, BOUND_UNITS)
    found = run(chosen, plan=growing_plan(chosen).upto(0), workers=1, compiled=False)
    checks = tuple(c for c in design_checks(found.model, found.plan) if c.name in CONCERNING)
    return dataclasses.replace(_measured(found), checks=checks)


def _measured(found: RunResult) -> Trial:
    frame, need = found.plan.frame, found.model.case.requirement
    (tally,) = found.tallies.values()
    readings = frame.units * frame.readings / frame.loads.size
    share = float(np.max(found.clipped / readings))
    low, high = clopper_pearson(min(share, 1.0) * frame.units, frame.units, need.confidence)
    largest = tally.largest.sum(axis=0)
    ends = np.zeros(()), np.full((), np.finfo(float).max)
    error = float(quantile(largest, RATIO_BINS, np.array([need.target]), *ends)[0])
    return Trial(yield_in(found), error, Estimate(share, low, high), frame.units)
