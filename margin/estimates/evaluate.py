"""From a case to the results of its study."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np
import pandas as pd

from margin.calibration.cost import seconds_per_unit
from margin.case.build import nominal_element
from margin.case.types import CalibrationSpec, Case
from margin.estimates.budget import BUDGET_UNITS, budget_of
from margin.estimates.decision import recommend
from margin.estimates.design_checks import design_checks, saturation_frame
from margin.estimates.errors import errors_frame, largest_ratio
from margin.estimates.intervals import clopper_pearson
from margin.estimates.results import OptionResult, Results
from margin.estimates.shares import ErrorShares, error_shares
from margin.estimates.worst_case import WorstCase, worst_cases
from margin.estimates.yields import (
    COUNTS,
    convergence_of,
    effective_units,
    readings_bias,
    share_below,
    yields_of,
)
from margin.propagation.identity import version
from margin.propagation.run import RunResult, run
from margin.propagation.tally import Tally

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

FIRST_RUNS = 1 << 14
"""Units evaluated for the shares of the variance of a report; the budget command takes more."""

Stage = Callable[[str, int], Callable[[int], None]]
"""Called with what begins and how much of it there is; gives the function that counts progress."""


def no_progress(title: str, total: int) -> Callable[[int], None]:
    """A stage that nobody watches."""
    return lambda done: None


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
    fused: bool | None = None,
    stage: Stage = no_progress,
) -> Results:
    """Draw the study of a case and put its results together.

    workers, block, cluster, resume, elements  as in `run`: they do not change the results
    with_budget  False leaves out the budget (an empty frame) and the shares of the variance, which cost as much as
                 the study itself
    gpu          draw the study on an accelerator (see `run_on_gpu`); what else there is stays on the host, where
                 `workers` counts
    fused        compute readings by a compiled kernel, as in `run` or `run_on_gpu`

    Raises EvaluationError where the chain gives no number, GpuUnavailable and NotOnDevice as `run_on_gpu`, CannotFuse
    as `run`, ValueError for ways to compute that exclude each other.
    """
    _require_one_way(gpu=gpu, cluster=cluster is not None, resume=resume is not None)
    progress = stage("drawing units", case.study.units)
    if gpu:
        # CuPy is an extra
        from margin.propagation.gpu import run_on_gpu

        drawn = run_on_gpu(case, block=block, progress=progress, fused=fused)
    else:
        drawn = run(
            case,
            workers=workers,
            block=block,
            cluster=cluster,
            resume=resume,
            elements=elements,
            progress=progress,
            fused=fused,
        )
    budget = pd.DataFrame(columns=list(BUDGET_COLUMNS))
    shares: ErrorShares | None = None
    if with_budget:
        budget = budget_of(drawn.model, workers=workers, progress=stage("budget", BUDGET_UNITS))
        if drawn.model.factors:
            shares = error_shares(
                case,
                by=("cause",),
                runs=FIRST_RUNS,
                over_temperature=False,
                workers=workers,
                progress=stage("shares of the variance", 2 * FIRST_RUNS),
            )
    return assemble(drawn, budget, shares)


def _require_one_way(*, gpu: bool, cluster: bool, resume: bool) -> None:
    """ValueError for two ways to compute readings of which one would not be taken."""
    if gpu and cluster:
        raise ValueError("a study is drawn on an accelerator or on a cluster, not on both: choose one")
    if gpu and resume:
        raise ValueError(
            "parts drawn on an accelerator are not kept, so that nothing could be resumed: leave out the accelerator "
            "or the folder to resume from"
        )


BUDGET_COLUMNS = (
    "option", "by", "factor", "part", "level", "change", "yield", "yield_change", "yield_change_low",
    "yield_change_high", "error_N", "error_ratio", "error_change_N", "error_change_N_low",
    "error_change_N_high", "rank", "verdict",
)  # fmt: skip


def assemble(drawn: RunResult, budget: pd.DataFrame, shares: ErrorShares | None = None) -> Results:
    """Results from the counts of a run, its budget and its shares of the variance."""
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
        recommend(case, options, budget, checks),
        budget,
        checks,
        _samples(drawn),
        frame.units,
        frame.outer,
        case.study.seed,
        version(),
        CAUTIONS,
        shares,
        drawn.path,
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
    scores = drawn.outer_scores() if frame.outer > 1 else None
    yields = yields_of(frame, tally, need.confidence, scores)
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
        yields[need.counts].lower_bound >= need.target,
        readings_bias(frame, tally),
        pd.DataFrame()
        if scores is None
        else convergence_of(frame, tally, need.counts, need.confidence, scores),
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
