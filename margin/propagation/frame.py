"""What all blocks of a study have in common: loads, limits, sections, how units are nested."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from margin.case.types import Case, Requirement
from margin.propagation.grouping import Grouping
from margin.propagation.histogram import Bins
from margin.propagation.readings import condition_name, readings_of_a_unit, use_conditions

Array = NDArray[np.float64]

SECTIONS = 10
"""Units are counted in this many equal sections, so that any statistic gets an interval from its own scatter
between sections, whatever ties the units of a section together (lots, outer draws)."""


def permissible_error(requirement: Requirement, loads: Array, span: float) -> Array:
    """Maximum permissible error, N, at each load: the larger or the sum of its parts."""
    parts = np.stack(
        [
            requirement.reading * np.abs(loads),
            np.full_like(loads, requirement.span * span),
            np.full_like(loads, requirement.full_scale * requirement.full_scale_load),
            np.full_like(loads, requirement.rated * requirement.rated_load),
            np.full_like(loads, requirement.absolute),
        ]
    )
    total: Array = parts.sum(axis=0) if requirement.combine == "sum" else parts.max(axis=0)
    return total


@dataclass(frozen=True)
class Frame:
    """What every block of a run has in common. loads, permissible: (load,), N.

    repeated  better points are drawn, and the sections are independent repetitions of them
    outer     draws of epistemic uncertainty; 1 where nothing varies there
    """

    loads: Array
    permissible: Array
    span: float
    share: float
    conditions: tuple[str, ...]
    readings: int
    grouping: Grouping
    outer: int
    by_lot: bool
    repeated: bool
    units: int

    @classmethod
    def of(cls, case: Case, grouping: Grouping, outer: int, by_lot: bool, units: int) -> Frame:
        loads = np.asarray(case.check_loads, dtype=np.float64)
        return cls(
            loads,
            permissible_error(case.requirement, loads, case.span),
            case.span,
            case.requirement.share,
            tuple(condition_name(c) for c in use_conditions(case)),
            readings_of_a_unit(case),
            grouping,
            outer,
            by_lot,
            grouping.points != "random",
            units,
        )

    @property
    def groups(self) -> int:
        """Groups in which units within are counted: cells of outer draws, or sections where there is but one draw."""
        return self.outer * self.grouping.cells if self.outer > 1 else SECTIONS

    @property
    def bins(self) -> Bins:
        """Bins of the error, N."""
        return Bins(self.span)
