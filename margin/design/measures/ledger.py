"""What has been judged of the sets of measures, what they cost, and the error that confirmations have spent."""

from __future__ import annotations

import math
from typing import Literal

from distributions.errors import InvalidArgument
from margin.case.again import command_of
from margin.case.types import Case
from margin.design.measures.apply import changes_of, is_timed, option_in_force
from margin.design.measures.measure import SECONDS_IN_HOUR, Measure, Measures
from margin.design.measures.order import Chosen
from margin.design.measures.result import Evaluator, Judged, SetResult
from margin.estimates.intervals import section_half_width
from margin.estimates.yield_result import Estimate


def spent(confidence: float, number: int) -> float:
    """Confidence of confirmation `number`, from 1: it may err by (1 - confidence) 6 / (pi number)^2.

    All of them, however many, err together at most by 1 - confidence (Bonferroni's inequality; 6 / pi^2 times the sum
    of 1 / k^2 is 1).
    """
    return 1.0 - (1.0 - confidence) * 6.0 / (math.pi * number) ** 2


class Ledger:
    """Judgements of sets by their places; each set is screened once.

    target, confidence  of the requirement; case: that commands run sets on again, None for none
    """

    def __init__(
        self, measures: Measures, evaluator: Evaluator, target: float, confidence: float, case: Case | None
    ) -> None:
        self.measures, self.evaluator, self.case = measures, evaluator, case
        self.target, self.confidence = target, confidence
        self.screens: dict[Chosen, Judged | None] = {}
        self.confirmed: dict[Chosen, Judged] = {}
        self.confirmations = 0
        start = self.screen(())
        if start is None:
            raise InvalidArgument(
                "today's design gives no number for a force: 'margin estimate' with the same case says where"
            )
        self.today = start

    def screen(self, chosen: Chosen) -> Judged | None:
        """The set on few units; None where case or chain refuse it."""
        if chosen not in self.screens:
            self.screens[chosen] = self.evaluator.screen(chosen)
        return self.screens[chosen]

    def confirm(self, chosen: Chosen, times: int = 1) -> Judged:
        """The set on many units, at what is left of the error for one confirmation more."""
        self.confirmations += 1
        found = self.evaluator.confirm(chosen, spent(self.confidence, self.confirmations), times)
        self.confirmed[chosen] = found
        return found

    def added(self, place: int) -> float:
        """Cost of a measure that adds up over a set: all but the time of the calibration."""
        measure, prices = self.measures.measures[place], self.measures.prices
        seconds = 0.0 if is_timed(measure) else measure.seconds
        return measure.cost + prices.once((measure,)) + seconds * prices.hour / SECONDS_IN_HOUR

    def time_cost(self, chosen: Chosen) -> float:
        """Cost of the station time with a set; infinite for one that the case refuses."""
        seconds = self.evaluator.seconds(chosen)
        return math.inf if seconds is None else seconds * self.measures.prices.hour / SECONDS_IN_HOUR

    def made(self, chosen: Chosen) -> float:
        """Cost of a unit as it leaves the station."""
        seconds = self.evaluator.seconds(chosen)
        return math.inf if seconds is None else self.measures.prices.made(self.taken(chosen), seconds)

    def taken(self, chosen: Chosen) -> tuple[Measure, ...]:
        """Measures of a set."""
        return self.measures.taken(chosen)

    def good(self, chosen: Chosen, reached: Estimate) -> Estimate:
        """Cost of a good unit, with the interval of its yield."""
        made, good = self.made(chosen), self.measures.prices.good
        ends = [good(made, each) for each in (reached.value, reached.high, reached.low)]
        return Estimate(ends[0], ends[1], ends[2])

    def change(self, chosen: Chosen, start: Chosen) -> Estimate | None:
        """Change of the screened yield from one set to another, paired; None where either was refused."""
        after, before = self.screen(chosen), self.screen(start)
        if after is None or before is None:
            return None
        return paired(after, before)

    def least_good(self, chosen: Chosen, against: Chosen) -> float:
        """Least cost of a good unit that the draws leave to a set: by its own yield, and by the screened difference
        from a confirmed one."""
        found, known = self.confirmed.get(chosen) or self.screens[chosen], self.confirmed[against]
        assert found is not None
        share = found.reached.high
        if (moved := self.change(chosen, against)) is not None:
            share = min(share, known.reached.high + moved.high)
        return self.measures.prices.good(self.made(chosen), min(max(share, 0.0), 1.0))

    def result(self, chosen: Chosen, judged: Judged, stage: Literal["screened", "confirmed"]) -> SetResult:
        """A set with what was found of it."""
        taken = self.taken(chosen)
        seconds = self.evaluator.seconds(chosen)
        changes = changes_of(self.measures.option, taken)
        return SetResult(
            chosen=chosen,
            names=tuple(each.name for each in taken),
            option=option_in_force(self.measures.option, taken),
            seconds=math.nan if seconds is None else seconds,
            made=self.made(chosen),
            good=self.good(chosen, judged.reached),
            judged=judged,
            verdict=judged.verdict(self.target),
            stage=stage,
            changes=changes,
            command="" if self.case is None else command_of(self.case, more=changes),
        )


def paired(after: Judged, before: Judged) -> Estimate:
    """Change of the yield with its interval: of the paired groups where both have them, else of both intervals."""
    one, other = after.shares, before.shares
    if one is not None and other is not None and one.shape == other.shape:
        difference = one - other
        half = float(section_half_width(difference, after.confidence))
        change = float(difference.mean())
        return Estimate(change, max(change - half, -1.0), min(change + half, 1.0))
    return Estimate(
        after.reached.value - before.reached.value,
        after.reached.low - before.reached.high,
        after.reached.high - before.reached.low,
    )
