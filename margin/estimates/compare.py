"""Two cases side by side on the same draws."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from distributions.errors import MarginError
from margin.estimates.comparison_result import Comparison
from margin.estimates.evaluate import assemble
from margin.estimates.intervals import section_half_width
from margin.estimates.yields import COUNTS, groups_of
from margin.propagation.run_result import RunResult

Array = NDArray[np.float64]


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
    one, two = first.model.case, second.model.case
    common = [o.name for o in one.calibrations if o.name in second.tallies]
    if not common:
        raise NotComparable(
            f"{one.name!r} and {two.name!r} have no calibration option of the same name: "
            f"{', '.join(first.tallies)} against {', '.join(second.tallies)}; give options that correspond one name"
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
    rows = [_row(first, second, name) for name in common]
    return Comparison(assemble(first, first_budget), assemble(second, second_budget), pd.DataFrame(rows))


def _shares(run: RunResult, option: str) -> Array:
    """Decisive yield of each group of a run."""
    column = COUNTS.index(run.model.case.requirement.counts)
    counts, sizes = groups_of(run.plan.frame, run.tallies[option], column)
    return counts / sizes


def _row(first: RunResult, second: RunResult, option: str) -> dict[str, object]:
    confidence = first.model.case.requirement.confidence
    one, two = _shares(first, option), _shares(second, option)
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
