"""Results of an acceptance test: risks at a limit, limits by rule, cost. Plain numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from margin.case.types import Case
from margin.design.acceptance.shares import Share
from margin.design.acceptance.station_test import StationTest
from margin.estimates.yield_result import Estimate, Verdict

Of = Literal["shipped", "produced"]
Against = Literal["use", "station"]

OF: tuple[Of, ...] = ("shipped", "produced")
"""Units that the stated risk is a share of: those shipped (the stricter), or all produced (global, JCGM 106, 9.5)."""

AGAINST: tuple[Against, ...] = ("use", "station")
"""What makes a unit bad: the requirement in use, or its error at the test but for that of the reference."""


@dataclass(frozen=True)
class RisksAgainst:
    """Risks against one meaning of bad, at one limit; shares of readings where the requirement counts readings.

    bad        produced bad, before any test
    shipped_bad, scrapped_good          of the units produced: global consumer's and producer's risk
    bad_of_shipped, scrapped_of_good    of the units shipped, of the good units
    """

    bad: Share
    shipped_bad: Share
    scrapped_good: Share
    bad_of_shipped: Share
    scrapped_of_good: Share

    def risk(self, of: Of) -> Share:
        """Consumer's risk as a share of the units shipped or produced."""
        return self.bad_of_shipped if of == "shipped" else self.shipped_bad


@dataclass(frozen=True)
class LimitRisks:
    """What becomes of the units at one test limit.

    limit   multiple of the permissible error; None: no test, all units are shipped
    scrapped  of the units produced; shipped is the rest
    """

    limit: float | None
    scrapped: Share
    use: RisksAgainst
    station: RisksAgainst

    def against(self, what: Against) -> RisksAgainst:
        return self.use if what == "use" else self.station


@dataclass(frozen=True)
class Rule:
    """A test limit by a rule.

    name        of the rule
    guard_band  1 - limit, of the permissible error; None without a limit
    multiplier  guard band over expanded uncertainty U of the test; None where U is 0 or there is no limit
    risks       at the limit; None where the rule gives no limit
    """

    name: str
    guard_band: float | None
    multiplier: float | None
    risks: LimitRisks | None


@dataclass(frozen=True)
class Costs:
    """Lowest cost over all limits.

    What a perfect test would cost as well is left out: a good unit shipped and a bad one scrapped cost nothing.

    bad, good   stated cost of a shipped bad and of a scrapped good unit, in one currency
    limit       of lowest cost, of several the strictest; None: no test
    low, high   range of limits whose cost the draws do not tell from the lowest; None: no test
    cost        per unit produced at that limit, with its interval
    untested    the same without a test
    """

    bad: float
    good: float
    limit: float | None
    low: float | None
    high: float | None
    cost: Estimate
    untested: Estimate


@dataclass(frozen=True)
class Acceptance:
    """Acceptance test of one calibration option, from simulated units.

    test         how units are tested
    risk         consumer's risk stated, as a share `of` the units shipped or produced, bad `against` use or station
    verdict      'conforms' where a limit is shown to keep the risk
    chosen       the largest such limit; else that by the estimate where undecided, or the one that comes nearest
    estimated    at the largest limit whose estimated risk, averaged over epistemic uncertainty, is no larger; None
                 where there is none
    expanded     U of the error seen, k = 2, over the permissible error, largest over the test loads; at_load, N: where
    ratio        test uncertainty ratio, permissible error over U
    limits       rows of the operating table; further: limits asked for in it; rules: limits by rule
    units, outer drawn; asked: units asked for, before they were rounded up to whole outer draws
    """

    case: Case
    option: str
    test: StationTest
    risk: float
    of: Of
    against: Against
    verdict: Verdict
    chosen: LimitRisks
    estimated: LimitRisks | None
    expanded: float
    at_load: float
    ratio: float
    limits: tuple[LimitRisks, ...]
    further: tuple[float, ...]
    rules: tuple[Rule, ...]
    costs: Costs | None
    units: int
    outer: int
    asked: int
    version: str

    @property
    def chosen_risk(self) -> Share:
        """Consumer's risk at the chosen limit, as it was stated."""
        return self.chosen.against(self.against).risk(self.of)

    @property
    def field_verdict(self) -> Verdict:
        """Whether the units shipped at the chosen limit reach the required yield in use."""
        return self.chosen.use.bad_of_shipped.verdict(1.0 - self.case.requirement.target)
