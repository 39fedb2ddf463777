"""How many units a bound is drawn from: those of the nearest turning values, and fewer for the search of all."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass, field

from margin.case.types import Case
from margin.design.overturning.bounds import MovedBounds, Scales
from margin.estimates.yield_result import Estimate
from margin.propagation.plan import FIRST_OUTER

UNITS = 102_400
"""Units of a bound, where the caller states none."""

BY_ARRAYS = 12_800
"""The same where no kernel computes them."""

SCREENED = 40_000
"""Units by which all quantities are searched; the nearest are searched again with all units."""

LEAST_INNER = 128
"""Units in an outer draw at least, where the caller states no outer draws."""

LEAST_UNITS = 2 * LEAST_INNER
"""Units of a bound at least."""


def of_option(case: Case, option: str) -> Case:
    spec = next(each for each in case.calibrations if each.name == option)
    return dataclasses.replace(case, calibrations=(spec,))


def sized(case: Case, units: int, outer: int | None) -> Case:
    """The case with a study of fixed size."""
    study = dataclasses.replace(case.study, units=units, draw="all units")
    if not study.nested:
        return dataclasses.replace(case, study=study)
    if outer is None:
        outer = max(min(FIRST_OUTER, units // LEAST_INNER), 2)
    return dataclasses.replace(case, study=dataclasses.replace(study, outer=outer))


def fewer_units(full: MovedBounds) -> tuple[int, int | None] | None:
    """Units, and outer draws, for the search of all quantities; None where all units are few enough."""
    frame = full.plan.frame
    if frame.units <= SCREENED:
        return None
    if frame.outer == 1:
        return SCREENED, None
    outer = min(frame.outer, FIRST_OUTER)
    return SCREENED // outer * outer, outer


@dataclass
class KnownBounds:
    """Bounds at multipliers of spreads, each evaluated once."""

    of: MovedBounds
    known: dict[tuple[tuple[str, float], ...], Estimate | None] = field(default_factory=dict)
    asked: int = 0

    def __call__(self, moved: Sequence[Scales]) -> list[Estimate | None]:
        keys = [tuple(sorted(each.items())) for each in moved]
        new = [key for key in dict.fromkeys(keys) if key not in self.known]
        self.known |= dict(zip(new, self.of([dict(key) for key in new]), strict=True))
        self.asked += len(new)
        return [self.known[key] for key in keys]

    @property
    def units(self) -> int:
        return self.of.plan.frame.units
