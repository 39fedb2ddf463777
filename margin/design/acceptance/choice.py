"""Risks at any limit from the counts, and the limits that keep a stated risk, a guard band or the lowest cost."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from margin.case.types import Requirement
from margin.design.acceptance.counts import Counted
from margin.design.acceptance.result import Against, Costs, LimitRisks, Of, RisksAgainst
from margin.design.acceptance.shares import Grouped, Share
from margin.estimates.intervals import section_half_width
from margin.estimates.outer_draws import END
from margin.estimates.yield_result import Estimate, Verdict
from margin.propagation.frame import Frame

Array = NDArray[np.float64]

LEAST_SHIPPED, CANDIDATES = 0.05, 40
"""Share of the units that a limit must ship to come nearest to a risk that none keeps, and limits that are compared."""


def least_outer(confidence: float) -> int:
    """Outer draws whose 5 % point can be bounded from below: 86 at 95 % (Wilks, 1941; see `bound_over_draws`)."""
    return math.ceil(math.log(0.25 * (1.0 - confidence)) / math.log1p(-END))


@dataclass(frozen=True)
class Operating:
    """Counts of a study as running totals over the limits; the last column is no test at all."""

    counted: Counted
    frame: Frame
    requirement: Requirement
    _kept: dict[int, LimitRisks] = field(default_factory=dict, compare=False, repr=False)

    @cached_property
    def shipped(self) -> Array:
        """Units shipped, (group, limit + 1)."""
        return self.counted.units.cumsum(axis=1).astype(np.float64)

    @cached_property
    def _good(self) -> dict[Against, Array]:
        """Good units shipped; of readings: the share of its readings that each unit contributes."""
        each = self.frame.readings if self.requirement.counts == "readings" else 1
        return {
            "use": self.counted.conforming.cumsum(axis=1) / each,
            "station": self.counted.sound.cumsum(axis=1).astype(np.float64),
        }

    @property
    def no_test(self) -> int:
        """Column without a test."""
        return self.counted.limits.size

    def limit(self, column: int) -> float | None:
        """Test limit of a column; None without a test."""
        return None if column == self.no_test else float(self.counted.limits[column])

    def column(self, limit: float | None) -> int:
        """Column of a limit; of one between two counted ones, the stricter."""
        return self.no_test if limit is None else max(self.counted.place(limit), 0)

    def at(self, column: int) -> LimitRisks:
        """All shares at one limit."""
        if column not in self._kept:
            units = self.shipped[:, -1]
            scrapped = Grouped(self.frame, False, self.requirement.confidence).share(
                units - self.shipped[:, column], units
            )
            self._kept[column] = LimitRisks(
                self.limit(column), scrapped, self._judged("use", column), self._judged("station", column)
            )
        return self._kept[column]

    def _judged(self, against: Against, column: int) -> RisksAgainst:
        share = self._grouped(against).share
        units, shipped, good = self.shipped[:, -1], self.shipped[:, column], self._good[against]
        bad, scrapped = shipped - good[:, column], good[:, -1] - good[:, column]
        return RisksAgainst(
            bad=share(units - good[:, -1], units),
            shipped_bad=share(bad, units),
            scrapped_good=share(scrapped, units),
            bad_of_shipped=share(bad, shipped),
            scrapped_of_good=share(scrapped, good[:, -1]),
        )

    def estimates(self, against: Against, of: Of) -> Array:
        """Estimated consumer's risk at every limit, (limit + 1,); NaN where nothing is shipped."""
        shipped, good = self.shipped.sum(axis=0), self._good[against].sum(axis=0)
        whole = shipped if of == "shipped" else np.full_like(shipped, shipped[-1])
        with np.errstate(invalid="ignore"):
            found: Array = np.where(shipped > 0.0, (shipped - good) / whole, np.nan)
        return found

    def consumer(self, column: int, against: Against, of: Of) -> Share:
        """Consumer's risk at one limit, of the units shipped or produced."""
        shipped, good = self.shipped[:, column], self._good[against][:, column]
        whole = shipped if of == "shipped" else self.shipped[:, -1]
        return self._grouped(against).share(shipped - good, whole)

    def keeping(self, risk: float, against: Against, of: Of) -> tuple[Verdict, int, int | None]:
        """Verdict, column of the limit for a stated consumer's risk, and of that by the estimate alone.

        The largest limit at which the interval of the upper bound lies within the risk. Units shipped bad never become
        fewer with a wider limit, so that a search over all limits errs no more often than one interval; of the units
        shipped that is measured (tests/benchmarks/acceptance_coverage.md). Where there is none: where undecided the
        limit by the estimate, else that of lowest upper end, of some that ship from a twentieth of the units to all.
        """
        kept = np.flatnonzero(self.estimates(against, of) <= risk)
        estimated = int(kept[-1]) if kept.size else None
        shipped = self.shipped.sum(axis=0)
        # limits that ship the same units are one limit, the largest of them
        distinct = [k for k in kept[::-1].tolist() if k == self.no_test or shipped[k + 1] > shipped[k]]
        least = self._least_shipped(risk)
        for column in distinct:
            if (shipped[column] if of == "shipped" else shipped[-1]) < least:
                break
            if self.consumer(column, against, of).verdict(risk) == "conforms":
                return "conforms", column, estimated
        shares = np.linspace(1.0, LEAST_SHIPPED, CANDIDATES) * shipped[-1]
        tried = [int(column) for column in np.unique(np.searchsorted(shipped, shares))[::-1]]
        found = {column: self.consumer(column, against, of) for column in tried}
        nearest = min(found, key=lambda column: found[column].bound.high)
        if all(each.verdict(risk) == "does not conform" for each in found.values()):
            return "does not conform", nearest, estimated
        return "undecided", nearest if estimated is None else estimated, estimated

    def _least_shipped(self, risk: float) -> float:
        """Units of which an upper bound over outer draws can at all be shown to lie within a risk.

        None of a twentieth of them bad, or too few outer draws: see `bound_over_draws`.
        """
        if self.frame.outer == 1:
            return 1.0
        tail = 0.25 * (1.0 - self.requirement.confidence)
        if self.frame.outer < least_outer(self.requirement.confidence):
            return math.inf
        return math.log(tail) / math.log1p(-risk) / END

    def cheapest(self, bad: float, good: float, against: Against) -> Costs:
        """Lowest cost over all limits, of a shipped bad and a scrapped good unit; see `Costs`.

        Limits count as alike where their cost exceeds the lowest by no more than the half width of the interval of the
        difference. A difference of few wrong decisions is skewed: one further of each kind enters its variance, as in
        the interval of Agresti and Coull (1998), and the scatter between groups where that is larger.
        """
        kept, level = self._good[against], self.requirement.confidence
        shipped_bad, scrapped_good = self.shipped - kept, kept[:, -1:] - kept
        units, cost = self.shipped[:, -1:], bad * shipped_bad + good * scrapped_good
        if self.frame.outer > 1:
            cells = self.frame.grouping.cells
            cost, units = (each.reshape(-1, cells, each.shape[1]).sum(axis=1) for each in (cost, units))
        filled = units[:, 0] > 0.0
        each, count = cost[filled] / units[filled], float(units.sum())
        total = cost.sum(axis=0) / count
        # of equal costs the strictest
        best = int(np.argmin(total))

        def estimate(column: int) -> Estimate:
            value, half = float(total[column]), float(section_half_width(each[:, column], level))
            return Estimate(value, max(value - half, 0.0), value + half)

        moved = (np.abs(n - n[best]) + 1.0 for n in (shipped_bad.sum(axis=0), scrapped_good.sum(axis=0)))
        variance = sum(price**2 * number for price, number in zip((bad, good), moved, strict=True)) / count**2
        half = float(ndtri(0.5 * (1.0 + level))) * np.sqrt(variance)
        half = np.maximum(half, section_half_width(each - each[:, best : best + 1], level))
        apart = np.flatnonzero(total - total[best] > half)
        low = int(max(apart[apart < best], default=-1)) + 1
        high = int(min(apart[apart > best], default=self.no_test + 1)) - 1
        return Costs(
            bad,
            good,
            self.limit(best),
            self.limit(low),
            self.limit(high),
            estimate(best),
            estimate(self.no_test),
        )

    def _grouped(self, against: Against) -> Grouped:
        readings = against == "use" and self.requirement.counts == "readings"
        return Grouped(self.frame, readings, self.requirement.confidence)
