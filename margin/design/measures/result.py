"""Answers about measures, as data."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from margin.design.measures.measure import Measures
from margin.estimates.yield_result import Estimate, Verdict

Array = NDArray[np.float64]
Chosen = tuple[int, ...]
"""Places of the measures of a set, ascending."""


@dataclass(frozen=True)
class Judged:
    """What draws say of a set.

    reached  decisive yield; bound: its lower bound; both with intervals at `confidence`
    units    drawn
    shares   yield of groups of units that are the same draws for every set judged alike; None where there are none
    """

    reached: Estimate
    bound: Estimate
    confidence: float
    units: int
    shares: Array | None = field(default=None, compare=False, repr=False)

    def verdict(self, target: float) -> Verdict:
        """What the interval of the lower bound says of a yield to be reached."""
        if self.bound.low >= target:
            return "conforms"
        return "does not conform" if self.bound.high < target else "undecided"


class Evaluator(Protocol):
    """What judges sets of measures."""

    def glance(self, chosen: Chosen) -> Judged | None:
        """A set judged on very few units, to reject what is far off; None where the chain refuses it."""

    def screen(self, chosen: Chosen) -> Judged | None:
        """A set judged on few units, the same draws for every set; None where the chain refuses it."""

    def confirm(self, chosen: Chosen, confidence: float, times: int = 1) -> Judged:
        """A set judged on many units, not those of the screen; `times` as many as the case states at most."""

    def seconds(self, chosen: Chosen) -> float | None:
        """Station time of a unit, s, that of the calibration and of the measures; None for a set that is refused."""


@dataclass(frozen=True)
class SetResult:
    """A set of measures.

    names    of its measures; option: calibration option in force; seconds: station time of a unit, s
    made     cost of a unit as it leaves the station; good: cost of a good unit, with the interval of the yield
    judged   how it was judged last; verdict: by that
    stage    'screened' on few units, or 'confirmed' on many
    changes  of the case by key; command: that estimates the case so changed
    """

    chosen: Chosen
    names: tuple[str, ...]
    option: str
    seconds: float
    made: float
    good: Estimate
    judged: Judged
    verdict: Verdict
    stage: Literal["screened", "confirmed"]
    changes: dict[str, str]
    command: str


@dataclass(frozen=True)
class Worth:
    """What one measure brings.

    alone    today's design with this measure only; alone_change: of the yield, paired with today's
    without  the answer without it, None where it is no part of it; set_change: of the yield by it, paired
    made     what it adds to the cost of a unit made, alone
    refused  whether the case refuses it alone
    """

    place: int
    alone: Judged | None
    alone_change: Estimate | None
    made: float
    without: Judged | None = None
    set_change: Estimate | None = None

    @property
    def refused(self) -> bool:
        """Whether the chain refuses the measure alone."""
        return self.alone is None


@dataclass(frozen=True)
class Improvement:
    """The cheapest set of measures that reaches the required yield, and how sure that is.

    target     yield to reach; today: the design as it is
    answer     None where no set was confirmed
    proven     whether every set that could cost less a good unit was rejected, or is named as undecided
    cheapest_left  least cost of a made unit of the sets that were not looked at; None where all were, or need not be
    undecided  sets that could cost less than the answer and that the draws leave open
    path       from today's design to the answer, one measure at a time, the best next one first
    worth      of each measure; others: the next-best sets, by cost of a good unit
    sets       that there are; screened, rejected, confirmed: how many were judged so; refused: by the case
    confidence of all confirmations together
    way        'in order of cost' or 'by gain' (the heuristic that stands in where the search ended first)
    """

    measures: Measures
    target: float
    today: SetResult
    answer: SetResult | None
    proven: bool
    cheapest_left: float | None
    undecided: tuple[SetResult, ...]
    path: tuple[SetResult, ...]
    worth: tuple[Worth, ...]
    others: tuple[SetResult, ...]
    sets: int
    screened: int
    rejected: int
    refused: int
    confirmations: int
    confidence: float
    way: Literal["in order of cost", "by gain"]

    @property
    def verdict(self) -> Verdict:
        """'conforms' where a set was confirmed, 'does not conform' where every set was rejected."""
        if self.answer is not None:
            return "conforms"
        open_ones = self.undecided or self.cheapest_left is not None
        return "undecided" if open_ones else "does not conform"
