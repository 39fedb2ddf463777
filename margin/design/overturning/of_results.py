"""What would overturn the decision of a finished study."""

from __future__ import annotations

from margin.design.overturning.overturn import overturning
from margin.design.overturning.result import Overturning
from margin.design.overturning.sample_sizes import LEAST_UNITS
from margin.estimates.results import Results
from margin.estimates.stages import Stage, no_progress

MOST_UNITS, LEAST_OUTER = 204_800, 100
"""Units of a bound at most, and outer draws at least, whatever a study has drawn."""


def of_results(results: Results, *, workers: int | None = None, stage: Stage = no_progress) -> Overturning:
    """What would overturn the decision of a finished study, on as many of its units as it takes."""
    units, outer = units_of(results)
    return overturning(
        results.case, results.focus.name, units=units, outer=outer, workers=workers, stage=stage
    )


def units_of(results: Results) -> tuple[int, int | None]:
    """Units and outer draws of a finished study, limited to what hundreds of bounds can afford."""
    if results.outer <= 1:
        return max(min(results.units, MOST_UNITS), LEAST_UNITS), None
    inner = results.units // results.outer
    outer = max(min(results.outer, MOST_UNITS // inner), min(results.outer, LEAST_OUTER))
    return inner * outer, outer
