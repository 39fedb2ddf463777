"""The cheapest set of measures that reaches the required yield.

Sets are looked at in ascending cost of a unit made. A good unit never costs less than a unit made, so that once a
confirmed set costs less a good unit than the next set costs to make, no set that is left can be cheaper. Nothing is
assumed of yields: a measure may well lower them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from margin.case.types import Case
from margin.design.measures.apply import is_timed
from margin.design.measures.ledger import Ledger
from margin.design.measures.measure import Measures
from margin.design.measures.order import Chosen, ascending, count_of_sets
from margin.design.measures.result import Evaluator, Improvement, SetResult, Worth
from margin.estimates.stages import Stage, no_progress


@dataclass(frozen=True)
class Effort:
    """Where the search ends at the latest.

    screens        sets judged on few units; confirmations: on many; those left over are named as undecided
    further        undecided sets that are drawn on, to `times` the units
    others         next-best sets that are listed; beyond: sets that are screened to find them
    """

    screens: int = 800
    confirmations: int = 12
    further: int = 2
    times: int = 4
    others: int = 6
    beyond: int = 30


def cheapest(
    measures: Measures,
    evaluator: Evaluator,
    *,
    target: float,
    confidence: float,
    case: Case | None = None,
    effort: Effort | None = None,
    stage: Stage = no_progress,
) -> Improvement:
    """The cheapest set, by cost of a good unit, whose lower bound reaches `target`, and the way there.

    target, confidence  of the requirement; case: that commands run sets on again, None for none

    A set is rejected by a glance or a screen where the bound certainly misses the target there. What is left is
    confirmed on draws of its own, with a confidence that holds for all confirmations together: first sets whose bound
    reaches the target in the screen, then cheaper ones that could still cost less a good unit. A set that a
    confirmation leaves open is drawn on, and named where that does not decide it. Where the effort ends first, the
    answer is one found by gain:
    measures are added by what they bring alone until the screen no longer rejects them, and those that are not needed
    are taken out again; it is then held against the least cost of what was not looked at.

    Raises InvalidArgument for too many combinations of measures that change the calibration (see `ascending`), and
    where today's design gives no number.
    """
    ledger = Ledger(measures, evaluator, target, confidence, case)
    return _Search(ledger, effort or Effort(), stage).improvement()


class _Search:
    def __init__(self, ledger: Ledger, effort: Effort, stage: Stage) -> None:
        self.ledger, self.effort = ledger, effort
        self.groups = ledger.measures.groups
        self.count = len(ledger.measures.measures)
        self.best: Chosen | None = None
        self.open: list[Chosen] = []
        self.waiting: list[Chosen] = []
        self.rejected = self.refused = self.looked_at = 0
        self.left: float | None = None
        self.way: Literal["in order of cost", "by gain"] = "in order of cost"
        self.progress = stage("judging sets of measures", min(effort.screens, count_of_sets(self.groups)))

    def improvement(self) -> Improvement:
        order = self._order()
        self._scan(order)
        self._settle()
        self._draw_on()
        if self.best is None and self.left is not None:
            self._by_gain()
        self._beyond(order)
        ledger, best = self.ledger, self.best
        undecided = [each for each in self.open if self._could_be_cheaper(each)]
        today = ledger.result((), ledger.evaluator.confirm((), ledger.confidence), "confirmed")
        answer = None if best is None else self._confirmed(best)
        return Improvement(
            measures=ledger.measures,
            target=ledger.target,
            today=today,
            answer=answer,
            proven=answer is not None and self.left is None,
            cheapest_left=self.left,
            undecided=tuple(self._latest(each) for each in undecided),
            path=() if answer is None else self._path(today, answer),
            worth=tuple(self._worth(place) for place in range(self.count)),
            others=self._others({*undecided, *([] if best is None else [best])}),
            sets=count_of_sets(self.groups),
            screened=self.looked_at,
            rejected=self.rejected,
            refused=self.refused,
            confirmations=ledger.confirmations,
            confidence=ledger.confidence,
            way=self.way,
        )

    def _order(self) -> Iterator[tuple[float, Chosen]]:
        ledger = self.ledger
        timed = [is_timed(each) for each in ledger.measures.measures]
        added = [ledger.added(place) for place in range(self.count)]
        found = ascending(self.groups, added, timed, ledger.time_cost)
        # the price of today's parts is that of every set
        return ((cost + ledger.measures.prices.unit, chosen) for cost, chosen in found)

    def _scan(self, order: Iterator[tuple[float, Chosen]]) -> None:
        """Sets in ascending cost, until none that is left can be cheaper or the effort ends."""
        for made, chosen in order:
            if math.isinf(made):
                self.refused += 1
                continue
            if self.best is not None and made >= self._good(self.best):
                return
            if self.looked_at >= self.effort.screens:
                self.left = made
                return
            self.looked_at += 1
            self.progress(1)
            if self._is_rejected(chosen) or not self._could_be_cheaper(chosen):
                continue
            found = self.ledger.screens[chosen]
            assert found is not None
            if found.bound.value < self.ledger.target:
                self.waiting.append(chosen)
            else:
                self._decide(chosen)

    def _settle(self) -> None:
        """Sets whose screen leaves them below the target and not certainly so, the cheapest first."""
        for chosen in self.waiting:
            if self._could_be_cheaper(chosen):
                self._decide(chosen)

    def _is_rejected(self, chosen: Chosen) -> bool:
        for judge in (self.ledger.evaluator.glance, self.ledger.screen):
            found = judge(chosen)
            if found is None:
                self.refused += 1
                return True
            if found.verdict(self.ledger.target) == "does not conform":
                self.rejected += 1
                return True
        return False

    def _decide(self, chosen: Chosen, times: int = 1) -> None:
        """Confirm a set: it becomes the best one so far, stays open or is rejected."""
        if self.ledger.confirmations >= self.effort.confirmations and times == 1:
            self.open.append(chosen)
            return
        verdict = self.ledger.confirm(chosen, times).verdict(self.ledger.target)
        if verdict == "undecided":
            self.open.append(chosen)
        elif verdict == "does not conform":
            self.rejected += 1
        elif self.best is None or self._good(chosen) < self._good(self.best):
            self.best = chosen

    def _draw_on(self) -> None:
        """Open sets that could be cheaper than the best one, on more units, the cheapest first."""
        wanted = [each for each in self.open if self._could_be_cheaper(each)]
        for chosen in wanted[: self.effort.further]:
            if self._could_be_cheaper(chosen):
                self.open.remove(chosen)
                self._decide(chosen, self.effort.times)

    def _could_be_cheaper(self, chosen: Chosen) -> bool:
        """Whether the draws leave it open that a set costs less a good unit than the best one so far."""
        return self.best is None or self.ledger.least_good(chosen, self.best) < self._good(self.best)

    def _good(self, chosen: Chosen) -> float:
        return self.ledger.good(chosen, self.ledger.confirmed[chosen].reached).value

    def _by_gain(self) -> None:
        """A set that conforms, by gain: the answer where the search in order of cost ended before it found one."""
        screen, target = self.ledger.screen, self.ledger.target
        gains = [(self._gain(place), -place) for place in range(self.count)]
        chosen: Chosen = ()
        for gain, place in sorted(gains, reverse=True):
            more = tuple(sorted((*chosen, -place)))
            found = screen(more) if gain > 0.0 and self._may_join(chosen, -place) else None
            if found is None:
                continue
            chosen = more
            if found.verdict(target) == "conforms" or found.bound.value >= target:
                break
        for place in sorted(chosen, key=lambda each: (-self.ledger.added(each), each)):
            fewer = tuple(each for each in chosen if each != place)
            found = screen(fewer)
            if found is not None and found.bound.value >= target:
                chosen = fewer
        if (found := screen(chosen)) is not None and found.verdict(target) != "does not conform":
            self.way = "by gain"
            self._decide(chosen, self.effort.times)

    def _gain(self, place: int) -> float:
        found = self.ledger.change((place,), ())
        return -math.inf if found is None else found.value

    def _may_join(self, chosen: Chosen, place: int) -> bool:
        group = next(each for each in self.groups if place in each)
        return not set(group) & set(chosen)

    def _beyond(self, order: Iterator[tuple[float, Chosen]]) -> None:
        """Screen on, for the list of the next-best sets."""
        if self.left is not None or self.best is None:
            return
        for _, (made, chosen) in zip(range(self.effort.beyond), order, strict=False):
            if math.isinf(made) or len(self._standing()) > self.effort.others + len(self.open):
                return
            self.ledger.screen(chosen)

    def _standing(self) -> list[Chosen]:
        """Sets that were judged and not rejected."""
        target = self.ledger.target
        judged = {**self.ledger.screens, **self.ledger.confirmed}
        return [c for c, found in judged.items() if found and found.verdict(target) != "does not conform"]

    def _others(self, but: set[Chosen]) -> tuple[SetResult, ...]:
        """The next-best sets by cost of a good unit; where every set was rejected, those of the highest bound."""
        results = [self._latest(each) for each in self._standing() if each not in but]
        results.sort(key=lambda each: (each.good.value, each.chosen))
        if not results and self.best is None:
            refused = [chosen for chosen, found in self.ledger.screens.items() if found is None]
            results = [self._latest(each) for each in self.ledger.screens if each not in (*but, *refused)]
            results.sort(key=lambda each: (-each.judged.bound.value, each.good.value, each.chosen))
        return tuple(results[: self.effort.others])

    def _latest(self, chosen: Chosen) -> SetResult:
        if chosen in self.ledger.confirmed:
            return self._confirmed(chosen)
        found = self.ledger.screens[chosen]
        assert found is not None
        return self.ledger.result(chosen, found, "screened")

    def _confirmed(self, chosen: Chosen) -> SetResult:
        return self.ledger.result(chosen, self.ledger.confirmed[chosen], "confirmed")

    def _path(self, today: SetResult, answer: SetResult) -> tuple[SetResult, ...]:
        """Measures of the answer one by one, at each step the one with which the yield is highest."""
        ledger, steps = self.ledger, [today]
        taken: Chosen = ()
        while len(taken) + 1 < len(answer.chosen):
            nexts = [tuple(sorted((*taken, each))) for each in answer.chosen if each not in taken]
            possible = [
                (found.reached.value, -ledger.made(each), each)
                for each in nexts
                if (found := ledger.screen(each)) is not None
            ]
            if not possible:
                break
            taken = max(possible)[-1]
            steps.append(
                ledger.result(taken, ledger.evaluator.confirm(taken, ledger.confidence), "confirmed")
            )
        return (*steps, answer) if answer.chosen else (answer,)

    def _worth(self, place: int) -> Worth:
        ledger, best = self.ledger, self.best
        alone = ledger.screen((place,))
        without, gained = None, None
        if best is not None and place in best:
            fewer = tuple(each for each in best if each != place)
            without, gained = ledger.screen(fewer), ledger.change(best, fewer)
        change = ledger.change((place,), ())
        return Worth(place, alone, change, ledger.made((place,)) - ledger.made(()), without, gained)
