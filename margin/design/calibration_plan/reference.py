"""The reference load cell of the station: its expanded uncertainty, the test uncertainty ratio, what a plan needs.

Test uncertainty ratio = permissible error / expanded uncertainty U (coverage factor k = 2) of the reference at the
same load. For a symmetric limit it is the measurement capability index of JCGM 106:2012, 7.6.3, tolerance over 4 u
(from memory); 4 is a usual demand (common practice, no source).
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable

import numpy as np
import pandas as pd

from distributions.errors import InvalidArgument
from distributions.scaling import scaled
from margin.backends.run import run
from margin.case.types import LEAST_INNER, Case, Quantity
from margin.design.calibration_plan.promise import with_plans
from margin.design.calibration_plan.result import Plan, ReferenceNeed
from margin.estimates.looks import FAILURES
from margin.estimates.stages import Stage, no_progress
from margin.estimates.yield_result import Estimate, Yield
from margin.estimates.yields import yield_of
from margin.propagation.plan import LEAST_OUTER, growing_plan
from margin.propagation.tally import permissible_error

COVERAGE = 2.0
"""Coverage factor k of the expanded uncertainty: about 95 % of a normal (JCGM 100, 6.3.3; from memory)."""

PARTS = ("reference_gain", "reference_offset", "reference_scatter")
MULTIPLES = (0.25, 0.35, 0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0)
"""Multiples of the reference's errors that are tried, beside a perfect reference."""

REFERENCE_UNITS = 100_000
"""Units of each multiple, all on the same draws."""

_HALVINGS = 2


def standard_uncertainty(quantity: Quantity) -> float:
    """Root mean square of a quantity of the reference about 0, in its unit: a stated error that nobody corrects counts
    like a spread."""
    squares = quantity.nominal**2
    for spread in quantity.spreads:
        scale = abs(quantity.nominal) if spread.relative else 1.0
        squares += (scale * spread.distribution.sd) ** 2
    return math.sqrt(squares)


def expanded_uncertainty(case: Case, loads: np.ndarray, placements: int = 1) -> np.ndarray:
    """U, N, (load,), of the load that the reference indicates, as a mean over so many placements.

    U = 2 sqrt((u_gain L)^2 + u_offset^2 + u_scatter^2 / placements): the scatter is averaged, the rest is not.
    """
    quantities = case.elements["station"].quantities
    gain, offset, scatter = (standard_uncertainty(quantities[name]) for name in PARTS)
    found = COVERAGE * np.sqrt((gain * loads) ** 2 + offset**2 + scatter**2 / placements)
    return np.asarray(np.where(loads > 0.0, found, 0.0))


def uncertainty_table(case: Case, plan: Plan) -> pd.DataFrame:
    """One row a load of the plan, then of the check; columns as in `PlanStudy.reference`."""
    loads = np.array([*plan.spec.loads, *case.check_loads])
    limit = permissible_error(case.requirement, loads, case.span)
    single = expanded_uncertainty(case, loads)
    averaged = expanded_uncertainty(case, loads, plan.spec.reloads)
    with np.errstate(divide="ignore"):
        ratios = [np.where(u > 0.0, limit / np.where(u > 0.0, u, 1.0), np.inf) for u in (single, averaged)]
    return pd.DataFrame(
        {
            "load_N": loads,
            "at": ["plan"] * len(plan.spec.loads) + ["check"] * len(case.check_loads),
            "permissible_N": limit,
            "expanded_N": single,
            "ratio": ratios[0],
            "expanded_averaged_N": averaged,
            "ratio_averaged": ratios[1],
        }
    )


def with_reference(case: Case, multiple: float) -> Case:
    """The case with every error of its reference multiplied: nominal values and spreads.

    InvalidArgument where the reference shares its deviation with another quantity, which would then move too.
    """
    station = case.elements["station"]
    shared = {q.shared_with for spec in case.elements.values() for q in spec.quantities.values()}
    quantities = dict(station.quantities)
    for name in PARTS:
        old = quantities[name]
        if old.shared_with is not None or old.name in shared:
            raise InvalidArgument(
                f"{old.name} shares its deviation with another quantity ([[shared]]): the reference cannot be varied "
                "alone; state its tolerance by itself"
            )
        spreads = tuple(
            each
            if each.relative
            else dataclasses.replace(each, distribution=scaled(each.distribution, multiple))
            for each in old.spreads
            if multiple > 0.0
        )
        quantities[name] = dataclasses.replace(old, nominal=old.nominal * multiple, spreads=spreads)
    elements = {**case.elements, "station": dataclasses.replace(station, quantities=quantities)}
    return dataclasses.replace(case, elements=elements)


def has_error(case: Case) -> bool:
    """Whether the case states any error of the reference."""
    quantities = case.elements["station"].quantities
    return any(standard_uncertainty(quantities[name]) > 0.0 for name in PARTS)


def reference_need(
    case: Case,
    plan: Plan,
    confidence: float,
    *,
    units: int = REFERENCE_UNITS,
    workers: int | None = None,
    stage: Stage = no_progress,
) -> ReferenceNeed:
    """How good the reference must be for a plan: yield and lower bound with its errors multiplied, on common draws.

    The largest multiple is where the lower bound crosses the required yield; the ends of its interval are where the
    ends of the bound's interval do (the interval inverted).
    """
    table = uncertainty_table(case, plan)
    if not plan.spec.loads or not has_error(case):
        return ReferenceNeed(table, _curve({}, case), None, MULTIPLES[-1])
    of_plan = table[table["at"] == "plan"].to_dict("records")
    least = min(of_plan, key=lambda row: float(row["ratio"]))
    limiting = {
        "load": float(least["load_N"]), "stated_ratio": float(least["ratio"]), "stated": float(least["expanded_N"]),
    }  # fmt: skip
    trial = with_plans(case, (plan.spec,), plan.dwell, min(units, case.study.units), confidence)
    trial = dataclasses.replace(
        trial, study=dataclasses.replace(trial.study, draw="all units", points="random")
    )
    # the same cut into outer draws for all multiples: with a perfect reference nothing else of it may change
    nested = trial.study.nested
    inner = _units_in_draw(trial) if nested else None
    known: dict[float, Yield] = {}
    progress = stage("reference of the station", len(MULTIPLES) + 1)

    def at(multiple: float) -> Yield:
        if multiple not in known:
            changed = with_reference(trial, multiple)
            changed = dataclasses.replace(
                changed, study=dataclasses.replace(changed.study, outer=None if nested else 1)
            )
            plan_of_run = growing_plan(changed, inner)
            drawn = run(
                changed, plan=plan_of_run.upto(len(plan_of_run.looks) - 1), workers=workers, compiled=False
            )
            (tally,) = drawn.tallies.values()
            known[multiple] = yield_of(drawn.plan.frame, tally, case.requirement.counts, confidence)
        return known[multiple]

    for multiple in (0.0, *MULTIPLES):
        at(multiple)
        progress(1)
    target = case.requirement.target
    grid = (0.0, *MULTIPLES)
    ends = [
        crossing(grid, lambda m, end=end: float(getattr(at(m).bound, end)) - target)  # type: ignore[misc]
        for end in ("value", "low", "high")
    ]
    if ends[0] == 0.0:
        return ReferenceNeed(table, _curve(known, case), None, MULTIPLES[-1], **limiting)
    largest = Estimate(ends[0], min(ends[1], ends[0]), max(ends[2], ends[0]))
    return ReferenceNeed(table, _curve(known, case), largest, MULTIPLES[-1], **limiting)


def _units_in_draw(case: Case) -> int:
    """Units of an outer draw: as many as let some fail at the required yield, within what leaves draws enough."""
    some_fail = FAILURES / max(1.0 - case.requirement.target, 1e-6)
    most = max(case.study.units // LEAST_OUTER, LEAST_INNER)
    return 1 << round(math.log2(min(max(some_fail, LEAST_INNER), most)))


def crossing(grid: tuple[float, ...], above: Callable[[float], float]) -> float:
    """Multiple up to which `above` is positive or 0: between points of the grid by halving, then a straight line.

    0 where it is negative with a perfect reference, infinite where it stays positive.
    """
    values = [above(m) for m in grid]
    if values[0] < 0.0:
        return 0.0
    first = next((k for k, value in enumerate(values) if value < 0.0), None)
    if first is None:
        return math.inf
    (low, high), (below, beyond) = grid[first - 1 : first + 1], values[first - 1 : first + 1]
    for _ in range(_HALVINGS):
        middle = float(f"{0.5 * (low + high):.4g}")
        found = above(middle)
        if found < 0.0:
            high, beyond = middle, found
        else:
            low, below = middle, found
    return low + (high - low) * below / (below - beyond)


CURVE_COLUMNS = (
    "multiple", "yield", "yield_low", "yield_high", "lower_bound", "lower_bound_low", "lower_bound_high", "verdict",
)  # fmt: skip


def _curve(known: dict[float, Yield], case: Case) -> pd.DataFrame:
    rows = [
        (
            multiple, found.sampled.value, found.sampled.low, found.sampled.high, found.bound.value, found.bound.low,
            found.bound.high, found.verdict(case.requirement.target),
        )
        for multiple, found in sorted(known.items())
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=list(CURVE_COLUMNS))
