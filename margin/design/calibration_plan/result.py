"""A calibration plan as plain numbers: plans worth their time, the one to take, the reference that it needs."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd

from margin.case import units
from margin.case.types import CalibrationSpec, Case
from margin.estimates.yield_result import Estimate, Verdict


@dataclass(frozen=True)
class Plan:
    """One plan with what fresh draws promise of it.

    spec      calibration of each unit, its loads in N
    dwell     of the station under each load, s; dwell_changed: whether it differs from the case's
    seconds   on the station, a unit
    reached   yield, and bound: its lower bound, with intervals that hold for all plans of the front together
    verdict   of the bound against the required yield
    units     drawn for these numbers
    """

    spec: CalibrationSpec
    dwell: float
    dwell_changed: bool
    seconds: float
    reached: Estimate
    bound: Estimate
    verdict: Verdict
    units: int

    @property
    def name(self) -> str:
        return self.spec.name

    @property
    def thermometer(self) -> bool:
        return self.spec.temperature_correction


@dataclass(frozen=True)
class ReferenceNeed:
    """How good the reference load cell of the station must be for a plan.

    loads    one row a load of the plan or of the check; columns as in `PlanStudy.reference`
    curve    yield and lower bound by multiple of the reference's errors; columns as in `PlanStudy.reference_curve`
    largest  multiple of the stated errors at which the lower bound falls to the required yield; ends: where the ends
             of its interval do. None where the plan does not conform with a perfect reference, or where nothing of
             the reference varies; infinite where it conforms with the largest multiple tried
    tried    largest multiple tried
    load         of the plan, N, at which the test uncertainty ratio is smallest
    stated_ratio test uncertainty ratio of the reference as stated at that load
    stated       expanded uncertainty (k = 2) of the reference as stated at that load, N
    """

    loads: pd.DataFrame
    curve: pd.DataFrame
    largest: Estimate | None
    tried: float
    load: float = math.nan
    stated_ratio: float = math.inf
    stated: float = 0.0

    @property
    def largest_uncertainty(self) -> Estimate | None:
        """Expanded uncertainty (k = 2), N, at the largest multiple and at `load`; ends as of `largest`."""
        if self.largest is None:
            return None
        ends = (self.largest.value, self.largest.low, self.largest.high)
        return Estimate(*(self.stated * end for end in ends))

    @property
    def least_ratio(self) -> Estimate | None:
        """Test uncertainty ratio at the largest multiple, the smallest over the loads of the plan; ends as of
        `largest`: it falls as the multiple grows."""
        if self.largest is None:
            return None
        ends = (self.largest.value, self.largest.high, self.largest.low)
        return Estimate(*(self.stated_ratio / end if end > 0.0 else math.inf for end in ends))


PLAN_COLUMNS = (
    "plan", "chosen", "seconds", "points", "loads", "reloads", "direction", "dwell", "thermometer", "space", "kind",
    "degree", "fit", "tare", "yield", "yield_low", "yield_high", "lower_bound", "lower_bound_low", "lower_bound_high",
    "verdict", "units",
)  # fmt: skip


@dataclass(frozen=True)
class CalibrationPlan:
    """The calibration plan of a case.

    plans        on the front, the quickest first: each gives a higher yield than those before it with as few parts
    unconfirmed  plans that the search put on the front and fresh draws did not: no better than a quicker one
    chosen       the quickest plan that conforms; else the one that comes nearest
    most_seconds longest time a unit that was allowed; None for any
    corrections  values of 'temperature_correction' that were tried
    candidates   calibrations searched, on search_units units each; choice_units: of those from which the front is taken
    confidence   of each interval, so that all of a front hold together at the confidence of the case
    """

    case: Case
    plans: tuple[Plan, ...]
    unconfirmed: tuple[str, ...]
    chosen: Plan
    most_seconds: float | None
    corrections: tuple[bool, ...]
    candidates: int
    search_units: int
    choice_units: int
    confidence: float
    need: ReferenceNeed
    text: str
    command: str
    version: str

    @property
    def verdict(self) -> Verdict:
        """Verdict of the chosen plan."""
        return self.chosen.verdict

    @property
    def without(self) -> Plan | None:
        """The quickest conforming plan without a thermometer, where the chosen one has one; None without any."""
        if not self.chosen.thermometer:
            return None
        return next((p for p in self.plans if not p.thermometer and p.verdict == "conforms"), None)

    @property
    def table(self) -> pd.DataFrame:
        """One row a plan; columns as in `PlanStudy.plans`."""
        rows = [
            (
                plan.name, plan is self.chosen, plan.seconds, len(plan.spec.loads),
                ", ".join(units.show(load, "N") for load in plan.spec.loads), plan.spec.reloads, plan.spec.direction,
                plan.dwell, plan.thermometer, plan.spec.space, plan.spec.kind, plan.spec.degree, plan.spec.fit,
                plan.spec.tare, plan.reached.value, plan.reached.low, plan.reached.high, plan.bound.value,
                plan.bound.low, plan.bound.high, plan.verdict, plan.units,
            )
            for plan in self.plans
        ]  # fmt: skip
        return pd.DataFrame(rows, columns=list(PLAN_COLUMNS))
