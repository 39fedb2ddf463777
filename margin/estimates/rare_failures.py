"""How rarely a unit of a case fails its requirement, down to 1e-7, and which unit most likely does."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from distributions.errors import InvalidArgument
from margin.case.types import Case
from margin.estimates.failing_unit import FailingUnit, failing_unit
from margin.estimates.rare import (
    RareResult,
    failure_probability,
    nearest_failing,
    require_budget,
)
from margin.estimates.rare.draws import Draws
from margin.estimates.rare.limit import CountedLimit
from margin.estimates.stages import Stage, no_progress
from margin.estimates.unit_limit import UnitLimit
from margin.propagation.model import model_of
from margin.version import version

Array = NDArray[np.float64]

BEYOND = 1.01
"""A design point lies on the limit: so much beyond it a unit fails."""

FAR = (1.0, 1.5, 2.5)
"""Standard deviations of draws among which failing units are looked for."""

FAR_DRAWS = 200
"""Such draws of each width."""


@dataclass(frozen=True)
class RareFailures:
    """How rarely units fail with one calibration option.

    result    probability with interval, method, evaluations, warnings and cross-check
    unit      the most likely failing unit; None where none was seen
    searched  units evaluated to find that unit, beside those of the result
    budget, target_cv  as asked for
    """

    case: Case
    option: str
    result: RareResult
    unit: FailingUnit | None
    searched: int
    version: str
    budget: int
    target_cv: float


def rare_failures(
    case: Case,
    option: str,
    *,
    target_cv: float = 0.1,
    budget: int = 200_000,
    level: float | None = None,
    stage: Stage = no_progress,
) -> RareFailures:
    """Probability that a unit fails with a calibration option, `common` and `station` drawn afresh for every unit.

    target_cv  coefficient of variation to reach; budget: most units evaluated for the probability and its cross-check;
    level of the interval, by default the case's confidence; stage: called with (title, total) when something long
    begins, returns the counter of progress

    Where the probability comes from importance sampling, a cross-check adds failing regions that it missed. Raises
    ValueError for an unknown option or where nothing varies, RareEventError for a target or budget out of range.
    """
    options = {one.name: one for one in case.calibrations}
    if option not in options:
        there = ", ".join(map(repr, options))
        raise InvalidArgument(f"no calibration option {option!r} in {case.name!r}; there are {there}")
    model = model_of(dataclasses.replace(case, calibrations=(options[option],)))
    units = UnitLimit.of(model, budget)
    if all(c.factor is not None and c.factor.quantity == "use.direction_draw" for c in units.columns):
        raise InvalidArgument(
            "nothing varies in this case: no unit differs from the nominal one. Give a spread"
        )
    require_budget(budget)
    dimension, seed = len(units.names), case.study.seed
    watched = CountedLimit(units, dimension, stage("units evaluated, at most", budget))
    confidence = case.requirement.confidence if level is None else level
    found = failure_probability(watched, dimension, target_cv, budget, seed, confidence)
    searched = CountedLimit(units, dimension)
    looked = stage("most probable failing unit", 1)
    z = nearest_failing(searched, _starts(dimension, found, seed))
    looked(1)
    return RareFailures(
        case,
        option,
        found,
        None if z is None else failing_unit(units, z),
        searched.evaluations,
        version(),
        budget,
        target_cv,
    )


def _starts(dimension: int, found: RareResult, seed: int) -> Array:
    """Draws from which the most likely failing unit is sought: what the estimate met, and plain draws far out."""
    near = [BEYOND * point.z for point in found.design_points]
    met = [] if found.failing is None else list(found.failing)
    draws = Draws(seed, "far out")
    return np.stack([*near, *met, *(w * z for w in FAR for z in draws.normals(FAR_DRAWS, dimension))])
