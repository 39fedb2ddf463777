"""Sampling plan of an error budget: independent clusters of few units, so that changes have honest intervals."""

from __future__ import annotations

from margin.case.types import Case
from margin.propagation.factors import factors_of, varies_by_lot
from margin.propagation.frame import Frame
from margin.propagation.grouping import Grouping
from margin.propagation.plan import LOT_UNITS_WITH_CURVE

BUDGET_UNITS = 2000
"""Most units of a budget."""

LEAST_CLUSTERS = 100
"""Clusters below which small-sample corrections would have to carry the intervals (measured, see
`tests/benchmarks/budget_coverage.py`)."""


def budget_frame(case: Case) -> Frame:
    """Frame of the units of a budget: those of the study, at most BUDGET_UNITS, rounded up to whole clusters.

    A budget is about the pooled population and needs no yield of a single outer draw or lot. So every unit has a
    lot of its own, and an outer draw of its own where anything is common to all units or uncertain: for a given
    number of units no other nesting gives a pooled share or quantile a smaller variance. Only where every lot
    gets a curve, which costs its sample units, does a lot have several units (see `cluster_units`). All draws are
    random: cluster means are then independent.
    """
    factors = factors_of(case)
    nested = any(f.level in ("common", "station") or f.measured_on is not None for f in factors)
    per_lot = cluster_units(case)
    clusters = max(-(-min(case.study.units, BUDGET_UNITS) // per_lot), 2)
    units = clusters * per_lot
    grouping = Grouping(per_lot if nested else units, per_lot)
    return Frame.of(case, grouping, clusters if nested else 1, varies_by_lot(case), units)


def cluster_units(case: Case) -> int:
    """Units of a cluster, the smallest independent part of a budget: an outer draw, a lot or a single unit."""
    if not any(option.kind == "lot-curve" for option in case.calibrations):
        return 1
    wanted = min(case.study.units, BUDGET_UNITS) // LEAST_CLUSTERS
    return max(min(LOT_UNITS_WITH_CURVE, case.study.units_per_lot, wanted), 1)


def budget_units(case: Case) -> int:
    """Units that a budget of the case draws."""
    return budget_frame(case).units
