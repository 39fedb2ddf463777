"""From a case to the results of its study."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from distributions.errors import InvalidArgument
from margin.backends.device.space import CudaSpace
from margin.backends.run import require_one_way, run
from margin.calibration.cost import seconds_per_unit
from margin.case.build import nominal_element
from margin.case.types import LEAST_INNER, CalibrationSpec, Case
from margin.estimates.advice.advise import advise
from margin.estimates.budget import BUDGET_COLUMNS, budget_of
from margin.estimates.budget_plan import BUDGET_UNITS
from margin.estimates.decision import recommend
from margin.estimates.design_checks import design_checks, saturation_frame
from margin.estimates.errors import errors_frame, largest_ratio
from margin.estimates.intervals import clopper_pearson
from margin.estimates.looks import confidence_at, decided, inner_size
from margin.estimates.results import OptionResult, Results
from margin.estimates.shares import ErrorShares, error_shares, runs_of_report
from margin.estimates.stages import Stage, no_progress
from margin.estimates.worst_case import WorstCase, worst_cases
from margin.estimates.yields import (
    COUNTS,
    convergence_of,
    effective_units,
    readings_bias,
    share_below,
    yields_of,
)
from margin.propagation.model import Model, model_of
from margin.propagation.plan import Plan, growing_plan, pilot_plan, plan_of
from margin.propagation.run_result import Enough, RunResult
from margin.propagation.tally import Tally
from margin.version import version

MULTIPLES = np.round(np.geomspace(0.25, 4.0, 33), 4)
"""Multiples of the permissible error at which the limit curve is drawn."""

CAUTIONS = (
    "A decision aid, not a certificate: results hold for the inputs of this case, and for nothing that it leaves out.",
    "What is listed as assumed was stated, not measured; a simulated yield is no warranty.",
    "Loads, temperatures and ages outside what was characterised are extrapolation.",
    "Verify on a pilot lot of built units, with a test of their tolerance, before release.",
    "Do not use a force-sensing pad as the sole protection against overload. Where a wrong force can hurt someone, "
    "local codes and a licensed engineer decide.",
)

PILOT_SEED = 1 << 62
"""What the seed of a pilot differs by, so that its draws are none of the study's."""


def evaluate(
    case: Case,
    *,
    workers: int | None = None,
    block: int | None = None,
    cluster: str | int | None = None,
    resume: str | Path | None = None,
    elements: Iterable[str | Path] = (),
    with_budget: bool = True,
    gpu: bool = False,
    compiled: bool | None = None,
    stage: Stage = no_progress,
) -> Results:
    """Draw the study of a case and put its results together.

    workers, block, cluster, resume, elements  as in `run`: they do not change the results
    with_budget  False leaves out the budget (an empty frame) and the effects of causes, which cost as much as
                 the study itself
    gpu          draw the study on an accelerator (see `run`); what else there is stays on the host, where `workers`
                 counts
    compiled     compute readings by a compiled kernel, as in `run`

    Raises EvaluationError where the chain gives no number, GpuUnavailable without an accelerator, CannotCompile and
    NotOnDevice as `run`, ValueError for ways to compute that exclude each other.
    """
    require_one_way(device=gpu, cluster=cluster is not None, compiled=compiled)
    drawn = _drawn(
        case,
        gpu=gpu,
        stage=stage,
        ways={"workers": workers, "block": block, "compiled": compiled},
        apart={"cluster": cluster, "resume": resume, "elements": elements},
    )
    budget = pd.DataFrame(columns=list(BUDGET_COLUMNS))
    shares: ErrorShares | None = None
    if with_budget:
        budget = budget_of(drawn.model, workers=workers, progress=stage("budget", BUDGET_UNITS))
        if drawn.model.factors:
            runs = runs_of_report(drawn.model)
            shares = error_shares(
                case,
                by=("cause",),
                runs=runs,
                over_temperature=False,
                workers=workers,
                progress=stage("effects of causes", 2 * runs),
            )
    results = assemble(drawn, budget, shares)
    if not with_budget or results.verdict != "does not conform":
        return results
    stage("trying what would help", 1)
    return replace(results, advice=advise(case, results.focus.name, budget, workers=workers))


def require_enough_units(case: Case) -> None:
    """ValueError where the outer draws that a case states hold too few units for a lower bound."""
    outer, units = case.study.outer, case.study.units
    if outer is not None and outer > 1 and units < LEAST_INNER * outer:
        raise InvalidArgument(
            f"{case.path or case.name}: [study] units = {units} leaves {units / outer:.3g} units to each of {outer} "
            f"outer draws, and the yield of a draw would be noise: draw at least {LEAST_INNER} in each "
            f"({LEAST_INNER * outer} in all), or leave outer out, so that the study divides its units itself"
        )


def _drawn(case: Case, *, gpu: bool, stage: Stage, ways: dict[str, Any], apart: dict[str, Any]) -> RunResult:
    """The units of a study: all of them, or as many as decide it.

    ways   of computing, of the pilot too; apart: those of the study alone
    """
    require_enough_units(case)
    model = model_of(case)
    growing = case.study.draw == "until decided"
    plan = growing_plan(case, _inner(model, ways)) if growing else plan_of(case)
    enough = decided if growing else None
    progress = stage("drawing units", plan.frame.units)
    device = CudaSpace() if gpu else None
    return run(case, plan=plan, enough=enough, model=model, progress=progress, device=device, **ways, **apart)


def drawn_pair(cases: tuple[Case, Case], *, workers: int | None, stage: Stage) -> tuple[RunResult, RunResult]:
    """The studies of two cases, as many looks at one as at the other, so that their draws are paired."""
    for case in cases:
        require_enough_units(case)
    ways: dict[str, Any] = {"workers": workers}
    models = [model_of(case) for case in cases]
    growing = all(case.study.draw == "until decided" for case in cases)
    inner = [_inner(model, ways) for model in models] if growing else [None, None]
    most = max((each for each in inner if each is not None), default=None)
    plans = [growing_plan(case, most) if growing else plan_of(case) for case in cases]

    def draw(number: int, plan: Plan, enough: Enough | None) -> RunResult:
        case = cases[number]
        progress = stage(f"drawing units of {case.name}", plan.frame.units)
        return run(case, plan=plan, enough=enough, model=models[number], progress=progress, **ways)

    found = [draw(number, plans[number], decided if growing else None) for number in range(2)]
    looks = [len(each.plan.looks) for each in found]
    behind = looks.index(min(looks))
    if looks[0] != looks[1] and len(plans[behind].looks) >= max(looks):
        found[behind] = draw(behind, plans[behind].upto(max(looks) - 1), None)
    return found[0], found[1]


def _inner(model: Model, ways: dict[str, Any]) -> int | None:
    """Units in an outer draw, by a pilot with draws of its own; None where there is one outer draw."""
    case = model.case
    if not case.study.nested:
        return None
    apart = replace(model, seed=case.study.seed ^ PILOT_SEED)
    return inner_size(run(case, plan=pilot_plan(case), model=apart, **ways))


def assemble(drawn: RunResult, budget: pd.DataFrame, shares: ErrorShares | None = None) -> Results:
    """Results from the counts of a run, its budget and the effects of its causes."""
    case, frame = drawn.model.case, drawn.plan.frame
    saturation = saturation_frame(drawn)
    worst = dict(worst_cases(drawn.model, frame, drawn.tallies))
    options = tuple(
        _option(drawn, spec, drawn.tallies[spec.name], worst[spec.name], saturation)
        for spec in case.calibrations
    )
    checks = design_checks(drawn.model, drawn.plan)
    return Results(
        case,
        options,
        recommend(case, options, budget, checks, frame.units),
        budget,
        checks,
        _samples(drawn),
        frame.units,
        frame.outer,
        case.study.seed,
        version(),
        (*CAUTIONS, *_of_bounds(options)),
        shares,
        drawn.path,
        drawn.uncompiled,
        len(drawn.plan.looks),
        confidence_at(case, drawn.plan),
        frame.units // frame.grouping.units_per_lot if frame.by_lot else 0,
    )


def _of_bounds(options: Iterable[OptionResult]) -> Iterator[str]:
    """What explains a lower bound that does not lie below its yield."""
    for option in options:
        found = option.decisive_yield
        if found.overshoots:
            yield (
                f"Lower bound of {option.name!r}: counted on few units a draw, its estimate lies above the yield, and "
                "is shown at the yield; its interval, which decides, is as estimated. More units would tell them apart."
            )
        elif found.lower_bound > found.sampled.value:
            yield (
                f"Lower bound of {option.name!r}: it lies above the yield, since most units fail in fewer than 5 % of "
                "the draws of what is common to all units. The yield counts these draws; the bound, the 5 % point, "
                "leaves them out."
            )


def _limit_curve(tally: Tally, trials: float, confidence: float) -> pd.DataFrame:
    """Yield at every check point against the multiple of the permissible error; `trials` are effective ones."""
    shares = share_below(tally, MULTIPLES)
    ends = np.array([clopper_pearson(p * trials, trials, confidence) for p in shares])
    return pd.DataFrame(
        {"multiple": MULTIPLES, "yield": shares, "yield_low": ends[:, 0], "yield_high": ends[:, 1]}
    )


def _option(
    drawn: RunResult, spec: CalibrationSpec, tally: Tally, worst: WorstCase, saturation: pd.DataFrame
) -> OptionResult:
    case, frame = drawn.model.case, drawn.plan.frame
    need = case.requirement
    confidence = confidence_at(case, drawn.plan)
    yields = yields_of(frame, tally, confidence)
    station = nominal_element(case.elements["station"])
    trials = effective_units(frame, tally, COUNTS.index("units at every check point"), need.confidence)
    return OptionResult(
        spec,
        yields,
        need.counts,
        errors_frame(frame, tally, need.confidence),
        worst.ways,
        worst.extremes,
        largest_ratio(frame, tally, need.target, need.confidence),
        _limit_curve(tally, trials, need.confidence),
        saturation,
        seconds_per_unit(spec, station, case.study.units_per_lot),
        yields[need.counts].verdict(need.target),
        readings_bias(frame, tally),
        convergence_of(frame, tally, need.counts, confidence) if frame.outer > 1 else pd.DataFrame(),
    )


def _samples(drawn: RunResult) -> pd.DataFrame:
    parts = [
        pd.DataFrame(
            {
                "option": name,
                "unit": np.repeat(np.arange(errors.shape[0]), errors.shape[1]),
                "load_N": np.tile(drawn.plan.frame.loads, errors.shape[0]),
                "error_N": errors.ravel(),
            }
        )
        for name, errors in drawn.samples.items()
    ]
    return pd.concat(parts, ignore_index=True)
