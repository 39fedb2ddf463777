"""Two cases side by side on the same draws."""

from __future__ import annotations

import numpy as np
import pandas as pd

from distributions.errors import MarginError
from margin.case.types import Case
from margin.estimates.comparison_result import Comparison
from margin.estimates.evaluate import assemble
from margin.estimates.intervals import section_half_width
from margin.estimates.results import DesignCheck, Results
from margin.estimates.yields import decisive_shares
from margin.propagation.run_result import RunResult


class NotComparable(MarginError, ValueError):
    """Two cases that have no calibration option in common, or different requirements or loads."""


def compare(
    first: RunResult, second: RunResult, first_budget: pd.DataFrame, second_budget: pd.DataFrame
) -> Comparison:
    """Differences of the decisive yield, second less first, for each option that both cases have.

    With the same seed and number of units both have drawn the same sensors, parts and conditions wherever they
    have the factor in common; the difference is then taken group by group (outer draws, or sections of the
    units) and its interval comes from the scatter of these differences. With other groups the two yields are
    taken as independent.

    Raises NotComparable without a common option or with different requirements or loads.
    """
    common = require_comparable(first.model.case, second.model.case)
    rows = [_row(first, second, name) for name in common]
    one, two = assemble(first, first_budget), assemble(second, second_budget)
    return Comparison(one, two, pd.DataFrame(rows), side_by_side(one, two))


def require_comparable(one: Case, two: Case) -> list[str]:
    """Names of the calibration options that both cases have; nothing needs to be drawn to know.

    Raises NotComparable without a common option or with different requirements or loads.
    """
    theirs = [option.name for option in two.calibrations]
    common = [option.name for option in one.calibrations if option.name in theirs]
    if not common:
        ours = ", ".join(option.name for option in one.calibrations)
        raise NotComparable(
            f"{one.name!r} and {two.name!r} have no calibration option of the same name: "
            f"{ours} against {', '.join(theirs)}; give options that correspond one name"
        )
    for table, this, other in (
        ("requirement", one.requirement, two.requirement),
        (
            "load",
            (one.load_low, one.load_high, one.check_loads),
            (two.load_low, two.load_high, two.check_loads),
        ),
    ):
        if this != other:
            raise NotComparable(
                f"{one.name!r} and {two.name!r} have a different [{table}], so that their yields count other things: "
                f"state the same [{table}] in both"
            )
    return common


_OF_A_SIDE = ("value", "limit", "margin", "verdict")


def side_by_side(first: Results, second: Results) -> pd.DataFrame:
    """Design checks of two studies, as `Comparison.checks`: those of the first in their order, then the rest."""
    sides = [
        {check.name: check for check in (*results.checks, _saturation(results))}
        for results in (first, second)
    ]
    rows = []
    for name in dict.fromkeys((*sides[0], *sides[1])):
        found = [side.get(name) for side in sides]
        row: dict[str, object] = {
            "check": name,
            "unit": next(each.unit for each in found if each is not None),
        }
        for place, check in zip(("first", "second"), found, strict=True):
            row |= {f"{key}_{place}": None if check is None else getattr(check, key) for key in _OF_A_SIDE}
        rows.append(row)
    return pd.DataFrame(rows)


def _saturation(results: Results) -> DesignCheck:
    """Readings at a limit of swing or converter, the largest share at one load."""
    share = max(float(option.saturation["saturated"].max()) for option in results.options)
    note = "share of readings at a limit, at the load where it is largest"
    return DesignCheck("saturation", share, None, "", None, "for information", note)


def _row(first: RunResult, second: RunResult, option: str) -> dict[str, object]:
    confidence = first.model.case.requirement.confidence
    one, two = decisive_shares(first, option), decisive_shares(second, option)
    seeds = first.model.case.study.seed == second.model.case.study.seed
    paired = one.size == two.size and seeds and first.plan.frame.grouping == second.plan.frame.grouping
    if paired:
        half = float(section_half_width(two - one, confidence))
    else:
        half = float(np.hypot(section_half_width(one, confidence), section_half_width(two, confidence)))
    difference = float(two.mean() - one.mean())
    verdict = (
        "below resolution"
        if abs(difference) <= half
        else "second better"
        if difference > 0.0
        else "first better"
    )
    return {
        "option": option,
        "yield_first": float(one.mean()),
        "yield_second": float(two.mean()),
        "difference": difference,
        "difference_low": difference - half,
        "difference_high": difference + half,
        "verdict": verdict,
    }
