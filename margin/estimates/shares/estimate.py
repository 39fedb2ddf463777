"""Shares of the variance of the force error: which factor, part, level and cause sets it, at which load.

Sobol indices of the case's own chain: each run is a unit with its lot, its outer draw, its calibration and its
readings in use. Factors that depend on each other are one group.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from margin.case.types import Case
from margin.estimates.sensitivity import FailedEvaluations, Interval, Refinement, SobolDesign, refine
from margin.estimates.sensitivity.grouping import By
from margin.estimates.shares.over_temperature import over_temperature as shares_over_temperature
from margin.estimates.shares.plan import DIRECTION, SharesPlan, long_frame
from margin.estimates.shares.result import ErrorShares, Runs
from margin.estimates.shares.shapley import shapley_shares
from margin.propagation.model import model_of
from margin.propagation.plan import default_block
from margin.propagation.run_result import Progress
from margin.propagation.tally import EvaluationError
from margin.propagation.threads import default_workers, in_threads

Array = NDArray[np.float64]

RUNS = 1 << 17
"""Units evaluated for one grouping, at most, unless the caller says otherwise."""

WIDTH = 0.05
"""Full width of the intervals at which no more points are added."""

FIRST_ROWS = 32
"""Rows of each scrambling to begin with."""


def error_shares(
    case: Case,
    *,
    by: Sequence[By] = ("factor", "part", "level", "cause"),
    runs: int = RUNS,
    width: float = WIDTH,
    second_order: bool = False,
    shapley: bool = False,
    over_temperature: bool = True,
    workers: int | None = None,
    progress: Progress | None = None,
) -> ErrorShares:
    """Sobol indices of every output of every option, from one set of runs for each grouping.

    by            groupings
    runs          most units evaluated for one grouping; points are added until every interval is at most
                  `width` wide or the next doubling would cost more
    second_order  also the interactions of pairs of groups, in the first grouping
    shapley       also Shapley effects, which share what dependent factors do together
    over_temperature  also the shares at fixed temperatures in use
    progress      called with units just evaluated

    Raises EvaluationError where the chain gives no number, ValueError where nothing varies, `runs` is too small or
    `workers` is below 1.
    """
    if workers is not None and workers < 1:
        raise ValueError(f"workers must be at least 1 (got {workers})")
    if not by:
        raise ValueError("by is empty: name one or more of 'factor', 'part', 'level', 'cause'")
    model = model_of(case)
    plan = SharesPlan.of(model)
    if not plan.labels:
        raise ValueError("nothing varies in this case: there are no shares of a variance. Give a spread")
    drawn = partial(_refined, runs=runs, width=width, workers=workers, progress=progress)
    by_group = {one: drawn(plan, plan.groups(one), second=second_order and one == by[0]) for one in by}
    scopes = drawn(plan, plan.scopes(), second=False)
    found = {one: long_frame(result.indices.to_frame(), one) for one, result in by_group.items()}
    tables = {one: long_frame(result.indices.sum_rules(), one) for one, result in by_group.items()}
    second = by_group[by[0]].indices.second_frame() if second_order else None
    return ErrorShares(
        case,
        pd.concat(found.values(), ignore_index=True),
        pd.concat(tables.values(), ignore_index=True),
        _scope_frame(scopes),
        shares_over_temperature(case, lambda p, g, n: drawn(p, g, second=False, runs=n), runs)
        if over_temperature
        else None,
        None if second is None else long_frame(second, by[0]),
        shapley_shares(plan, runs) if shapley else None,
        tuple(Runs.of(one, result, width) for one, result in by_group.items()),
        tuple(" + ".join(names) for names in plan.dependent()),
        _without_effect(found[by[0]]),
    )


def _without_effect(indices: pd.DataFrame) -> tuple[str, ...]:
    """Groups that change no output of any option by more than round-off.

    Which branch a load comes from is none of them: it matters only where a case asks for it.
    """
    largest = indices.groupby("group", sort=False)["total"].max()
    return tuple(str(name) for name, value in largest.items() if value == 0.0 and name != DIRECTION)


def _refined(
    plan: SharesPlan,
    groups: tuple[str, ...],
    *,
    second: bool,
    runs: int,
    width: float,
    workers: int | None,
    progress: Progress | None,
) -> Refinement:
    threads = default_workers() if workers is None else workers
    case, outputs = plan.model.case, plan.outputs()
    design = SobolDesign.within(groups, runs, second_order=second, seed=case.study.seed)
    if design.rows > FIRST_ROWS:
        design = replace(design, base=design.scramblings * FIRST_ROWS)

    def evaluate(uniforms: Array) -> Array:
        found = outputs(uniforms)
        if progress is not None:
            progress(len(found))
        return found

    try:
        return refine(
            design,
            evaluate,
            width,
            runs,
            names=outputs.names,
            piece_rows=min(default_block(case), max(design.base // threads, 64)),
            mapped=lambda work, pieces: in_threads(work, pieces, threads),
            level=case.requirement.confidence,
        )
    except FailedEvaluations as failed:
        raise EvaluationError(plan.where_failed(failed)) from failed


def _scope_frame(found: Refinement) -> pd.DataFrame:
    """Shares of what all units have in common, what differs between units, what moves within a unit.

    Scopes are nested: with what all units have in common given, and then the unit, the variance that is left is
    that within a unit (law of total variance). The middle share is what the other two leave.
    """
    indices = found.indices
    absent = Interval(*(np.zeros(len(indices.outputs)) for _ in range(3)))
    common = _scope(indices.first, indices.groups, "common to all units", absent)
    within = _scope(indices.total, indices.groups, "within a unit", absent)
    columns: dict[str, object] = {
        "output": list(indices.outputs),
        "standard_deviation": np.sqrt(indices.variance.value),
        "common": common.value,
        "common_low": common.low,
        "common_high": common.high,
        "between": 1.0 - common.value - within.value,
        "between_low": 1.0 - common.high - within.high,
        "between_high": 1.0 - common.low - within.low,
        "within": within.value,
        "within_low": within.low,
        "within_high": within.high,
    }
    return long_frame(pd.DataFrame(columns), "scope").drop(columns="by")


def _scope(of: Interval, groups: tuple[str, ...], scope: str, absent: Interval) -> Interval:
    if scope not in groups:
        return absent
    place = groups.index(scope)
    return Interval(of.value[place], of.low[place], of.high[place])
