"""The error budget in full: what sets the force error, and what changing it would bring."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from distributions.errors import InvalidArgument
from margin.case.types import Case
from margin.estimates.budget import budget_of
from margin.estimates.budget_causes import EVERY_CHANGE
from margin.estimates.budget_plan import BUDGET_UNITS
from margin.estimates.evaluate import CAUTIONS
from margin.estimates.sensitivity.grouping import By
from margin.estimates.shares import RUNS, WIDTH, ErrorShares, error_shares
from margin.estimates.stages import Stage, no_progress
from margin.propagation.model import model_of
from margin.version import version

GROUPINGS: tuple[By, ...] = ("factor", "part", "level", "cause")


@dataclass(frozen=True)
class ErrorBudget:
    """A finished budget.

    actions  as `Results.budget`, for every grouping and change: 'frozen', 'halved', 'doubled', 'one grade tighter'
             and 'one grade looser' (the last two for parts that come in grades)
    shares   main and total effects of causes on errors, conformity margin and failing units
    """

    case: Case
    actions: pd.DataFrame
    shares: ErrorShares
    version: str
    cautions: tuple[str, ...]

    @property
    def leading_option(self) -> str:
        """The option with the highest yield in the budget's own units; the first of several."""
        as_it_is = (self.actions["yield"] - self.actions["yield_change"]).groupby(
            self.actions["option"], sort=False
        )
        return str(as_it_is.mean().round(9).idxmax())


def error_budget(
    case: Case,
    *,
    by: Sequence[By] = GROUPINGS,
    runs: int = RUNS,
    width: float = WIDTH,
    second_order: bool = False,
    shapley: bool = False,
    workers: int | None = None,
    stage: Stage = no_progress,
) -> ErrorBudget:
    """Main and total effects of causes, and what changes bring, for every option; see `error_shares` and `budget_of`.

    Raises EvaluationError where the chain gives no number, ValueError where nothing varies.
    """
    shares = error_shares(
        case,
        by=by,
        runs=runs,
        width=width,
        second_order=second_order,
        shapley=shapley,
        workers=workers,
        progress=stage("effects of causes", (len(by) + 2) * runs),
    )
    if (shares.effects["reason"] != "").all():
        raise InvalidArgument("nothing varies in this case: no output of any option moves. Give a spread")
    actions = budget_of(
        model_of(case),
        by=by,
        changes=EVERY_CHANGE,
        negligible=0.0,
        workers=workers,
        progress=stage("changes", BUDGET_UNITS),
    )
    return ErrorBudget(case, actions, shares, version(), CAUTIONS)
