"""What sets the force error, the margin and failing units of a case: effects by factor, part, level and cause.

Sobol indices of the case's own chain: each unit has its lot, its outer draw, its calibration and its readings in use,
and is evaluated again with one group of its draws drawn again. Factors that depend on each other are one group.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np
import pandas as pd

from distributions.errors import InvalidArgument
from margin.backends.units import unit_engine
from margin.case.types import Case
from margin.estimates.sensitivity.effects import Effects
from margin.estimates.sensitivity.grouping import By
from margin.estimates.sensitivity.rounds import Refined, Study, refine
from margin.estimates.shares.outputs import FAILING, MARGIN, error_name, long_names, places_of
from margin.estimates.shares.over_temperature import over_temperature as effects_over_temperature
from margin.estimates.shares.plan import DIRECTION, SharesPlan, shares_frame
from margin.estimates.shares.result import ErrorShares, Runs
from margin.estimates.shares.shapley import shapley_shares
from margin.estimates.shares.tables import effects_frame, scopes_frame, second_frame, sums_frame
from margin.estimates.shares.unit_study import UnitStudy
from margin.propagation.model import Model, model_of
from margin.propagation.plan import default_block
from margin.propagation.readings import readings_of_a_unit
from margin.propagation.run_result import Progress
from margin.propagation.threads import default_workers, in_threads

RUNS = 1 << 17
"""Evaluations of a unit for one grouping, at most, unless the caller says otherwise: seconds by a compiled kernel."""

WIDTH = 0.05
"""Full width of the intervals at which no more units are added."""


RUNS_BY_KERNEL, RUNS_BY_ARRAYS, FEW_READINGS = 1 << 16, 1 << 13, 10_000_000
"""Evaluations for the effects in a report: a second or two; RUNS where they are so few readings in all."""


def runs_of_report(model: Model) -> int:
    """Evaluations of a unit for the effects by cause in a report."""
    case = model.case
    if RUNS * readings_of_a_unit(case) * len(case.calibrations) <= FEW_READINGS:
        return RUNS
    variants = len(dict.fromkeys(SharesPlan.of(model).groups("cause"))) + 2
    engine = unit_engine(model, shares_frame(case, RUNS // variants), variants)
    return RUNS_BY_KERNEL if engine.fast else RUNS_BY_ARRAYS


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
    """Main and total effects on every output of every option, from units of their own for each grouping.

    by            groupings
    runs          most evaluations of a unit for one grouping; units are added until the intervals of the leading
                  causes, of conformity margin and failing units, are at most `width` wide
    second_order  also the interactions of pairs of groups, in the first grouping
    shapley       also Shapley effects, which share what dependent factors do together
    over_temperature  also the effects at fixed temperatures in use
    progress      called with evaluations just done

    Raises EvaluationError where the chain gives no number, ValueError where nothing varies, `runs` is too small or
    `workers` is below 1.
    """
    if workers is not None and workers < 1:
        raise InvalidArgument(f"workers must be at least 1 (got {workers})")
    if not by:
        raise InvalidArgument("by is empty: name one or more of 'factor', 'part', 'level', 'cause'")
    model = model_of(case)
    plan = SharesPlan.of(model)
    if not plan.labels:
        raise InvalidArgument("nothing varies in this case: there are no shares of a variance. Give a spread")
    errors = tuple(map(error_name, case.check_loads))
    drawn = partial(_refined, runs=runs, width=width, workers=workers, progress=progress)
    decided = partial(drawn, deciding=(MARGIN, FAILING))
    by_group = {
        one: decided(plan, plan.groups(one), second_order=second_order and one == by[0]) for one in by
    }
    scopes = drawn(plan, plan.scopes(), deciding=(*errors, MARGIN, FAILING))
    first = by_group[by[0]].effects
    return ErrorShares(
        case=case,
        effects=pd.concat([effects_frame(r.effects, one) for one, r in by_group.items()], ignore_index=True),
        sums=pd.concat([sums_frame(r.effects, one) for one, r in by_group.items()], ignore_index=True),
        scopes=scopes_frame(scopes.effects),
        over_temperature=effects_over_temperature(
            case, lambda p, groups, most: drawn(p, groups, runs=most, deciding=errors), runs
        )
        if over_temperature
        else None,
        second=second_frame(first, by[0]),
        shapley=shapley_shares(plan, runs) if shapley else None,
        runs=tuple(Runs.of(one, result, width) for one, result in by_group.items()),
        dependent=tuple(" + ".join(names) for names in plan.dependent()),
        inert=_without_effect(first),
    )


def _without_effect(found: Effects) -> tuple[str, ...]:
    """Groups that change no output of any option by more than round-off.

    Which branch a load comes from is none of them: it matters only where a case asks for it.
    """
    varies = [place for place in range(len(found.outputs)) if place not in found.reasons]
    still = found.inert[:, varies].all(axis=1) & bool(varies)
    return tuple(
        name
        for name, none in zip(found.groups, np.atleast_1d(still), strict=True)
        if none and name != DIRECTION
    )


def _refined(
    plan: SharesPlan,
    of_labels: tuple[str, ...],
    *,
    deciding: tuple[str, ...],
    runs: int,
    width: float,
    workers: int | None,
    progress: Progress | None,
    second_order: bool = False,
) -> Refined:
    threads = default_workers() if workers is None else workers
    case = plan.model.case
    study = Study(
        groups=tuple(dict.fromkeys(of_labels)),
        outputs=long_names(case),
        runs=runs,
        width=width,
        deciding=places_of(case, *deciding),
        failing=places_of(case, FAILING),
        shares=case.requirement.counts == "readings",
        second_order=second_order,
        level=case.requirement.confidence,
        largest=default_block(case),
    )
    units = UnitStudy.of(plan, of_labels, study.units, second_order=second_order, progress=progress)
    return refine(study, units, lambda work, pieces: in_threads(work, pieces, threads))
