"""Sampling plan of an error budget: independent clusters of few units, so that changes have honest intervals."""

from __future__ import annotations

from margin.case.types import Case
from margin.propagation.factors import factors_of, varies_by_lot
from margin.propagation.frame import Frame
from margin.propagation.grouping import Grouping
from margin.propagation.plan import LOT_UNITS_WITH_CURVE

BUDGET_UNITS = 20_000
"""Most units of a budget."""

BUDGET_UNITS_BY_ARRAYS, FEW_READINGS = 2000, 10_000_000
"""The same by array operations, unless so few readings are all that BUDGET_UNITS have under every change."""

FIRST_LOOK = 2500
"""Units after which a budget first asks whether its leading causes are settled."""

LEAST_CLUSTERS = 100
"""Clusters below which small-sample corrections would have to carry the intervals (measured, see
`tests/benchmarks/budget_coverage.py`)."""


def budget_frame(case: Case, ample: bool = True) -> Frame:
    """Frame of the units of a budget: those of the study, at most BUDGET_UNITS, rounded up to whole clusters.

    ample  False where array operations evaluate many readings, and so fewer units

    A budget is about the pooled population and needs no yield of a single outer draw or lot. So every unit has a
    lot of its own, and an outer draw of its own where anything is common to all units or uncertain: for a given
    number of units no other nesting gives a pooled share or quantile a smaller variance. Only where every lot
    gets a curve, which costs its sample units, does a lot have several units (see `cluster_units`). All draws are
    random: cluster means are then independent.
    """
    factors = factors_of(case)
    nested = any(f.level in ("common", "station") or f.measured_on is not None for f in factors)
    per_lot = cluster_units(case, ample)
    clusters = max(-(-_most(case, ample) // per_lot), 2)
    units = clusters * per_lot
    grouping = Grouping(per_lot if nested else units, per_lot)
    return Frame.of(case, grouping, clusters if nested else 1, varies_by_lot(case), units)


def _most(case: Case, ample: bool) -> int:
    return min(case.study.units, BUDGET_UNITS if ample else BUDGET_UNITS_BY_ARRAYS)


def cluster_units(case: Case, ample: bool = True) -> int:
    """Units of a cluster, the smallest independent part of a budget: an outer draw, a lot or a single unit."""
    if not any(option.kind == "lot-curve" for option in case.calibrations):
        return 1
    wanted = _most(case, ample) // LEAST_CLUSTERS
    return max(min(LOT_UNITS_WITH_CURVE, case.study.units_per_lot, wanted), 1)


def looks_of(units: int, cluster: int, ample: bool) -> tuple[int, ...]:
    """Units at each look of a budget of so many at most: each doubles what was drawn, in whole clusters."""
    sizes = [units]
    while ample and sizes[0] > FIRST_LOOK:
        sizes.insert(0, max(sizes[0] // 2 // cluster, 2) * cluster)
    return tuple(sizes)
