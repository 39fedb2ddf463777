"""What a case assumes, in the order in which it counts."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd

from margin.case.types import Assumption, Case
from margin.estimates.results import Results


@dataclass(frozen=True)
class Weighed:
    """An assumption with the effect of its spread on the error.

    change_N  of the 95 % point of |error| where the spread is frozen, of the option in focus; NaN where the budget has
              no line of it
    resolved  whether the draws tell that change from none
    """

    assumption: Assumption
    change_N: float
    resolved: bool


def by_weight(results: Results) -> tuple[Weighed, ...]:
    """The assumptions of a study: resolved causes first, the largest reduction of the error leading; then the others in
    the order of the case."""
    budget, focus = results.budget, results.focus.name
    rows = budget[(budget["option"] == focus) & (budget["change"] == "frozen")]
    weighed = [_weighed(each, rows) for each in results.case.assumptions]
    return tuple(sorted(weighed, key=lambda w: (0, w.change_N) if w.resolved else (1, 0.0)))


def _weighed(assumption: Assumption, rows: pd.DataFrame) -> Weighed:
    about = rows[[assumption.is_of(str(name)) for name in rows["factor"]]]
    if about.empty:
        return Weighed(assumption, math.nan, False)
    row = about.iloc[0]
    return Weighed(assumption, float(row["error_change_N"]), row["verdict"] == "resolved")


CANCELLED = 0.01
"""Share of the error below which the change by a shared reference counts as none."""


def cancelling(results: Results) -> tuple[str, ...]:
    """Causes of a reference that a ratiometric converter shares and that change the error certainly by less than 1 %:
    what the reference does to the signal it does to the converter's full scale as well."""
    if not _ratiometric(results.case):
        return ()
    rows = results.budget
    rows = rows[(rows["option"] == results.focus.name) & (rows["change"] == "frozen")]
    rows = rows[rows["factor"].astype(str).str.startswith("circuit.reference")]
    within = (
        rows[["error_change_N_low", "error_change_N_high"]].abs().max(axis=1) < CANCELLED * rows["error_N"]
    )
    return tuple(map(str, rows.loc[within, "factor"]))


def _ratiometric(case: Case) -> bool:
    converter = case.elements.get("converter")
    return converter is not None and converter.options.get("reference") == "ratiometric"
