"""A case prepared for drawing: nominal chain, factors, dependence, classes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from distributions import Stream
from margin.case.types import Case
from margin.propagation.assemble import Nominal, nominal_of
from margin.propagation.calibrated import Bench, Classes, classes_of
from margin.propagation.dependence import DependentGroup, dependent_groups
from margin.propagation.draws import StreamSource
from margin.propagation.factors import Factor, factors_of
from margin.propagation.grouping import Grouping
from margin.propagation.plan import points_of
from margin.propagation.readings import use_conditions, use_event
from margin.propagation.sections import dimensions, make_points_ready

PILOT_UNITS = 2048
"""Units of the pilot population by which classes are laid out."""


@dataclass(frozen=True)
class Model:
    """A case prepared for drawing.

    draws_first  a source makes its many draws at once: long steps, during which other threads set up theirs
    seed         of the draws, where it is not that of the study
    """

    case: Case
    nominal: Nominal
    factors: tuple[Factor, ...]
    groups: tuple[DependentGroup, ...]
    classes: Mapping[str, Classes]
    draws_first: bool = False
    seed: int | None = None

    def source(self, grouping: Grouping, start: int, count: int) -> StreamSource:
        """Draws of `count` units from `start`."""
        seed = self.case.study.seed if self.seed is None else self.seed
        source = StreamSource(
            self.factors, Stream(seed), grouping, start, count, grouping.points, self.groups
        )
        if self.draws_first:
            for condition in use_conditions(self.case):
                source.draw_readings(use_event(self.case, condition))
        return source


def model_of(case: Case) -> Model:
    """Make a case ready: nominal chain, factors, their dependence, the classes of sorting options; and what its points
    are computed from, while no threads run yet."""
    factors = factors_of(case)
    groups = dependent_groups(factors, case.dependences)
    nominal = nominal_of(case)
    measured = (group.factors for group in groups if group.measured_on is not None)
    make_points_ready(points_of(case), dimensions(factors, measured))
    classes: dict[str, Classes] = {}
    sorting = [o for o in case.calibrations if o.kind == "classes"]
    if sorting:
        still = {f.name: 0.0 for f in factors if f.level in ("common", "station")}
        still |= {f.knowledge_name: 0.0 for f in factors if f.measured_on is not None}
        lots = np.arange(PILOT_UNITS, dtype=np.int64)
        source = StreamSource(
            factors, Stream(case.study.seed), Grouping(PILOT_UNITS, 1), 0, PILOT_UNITS, "random", groups,
            still, " of the pilot", lots, np.zeros(PILOT_UNITS, dtype=np.int64),
        )  # fmt: skip
        pilot = Bench(case, source, nominal, PILOT_UNITS)
        classes = {option.name: classes_of(option, pilot) for option in sorting}
    return Model(case, nominal, factors, groups, classes)
