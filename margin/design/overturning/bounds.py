"""Lower bounds of the decisive yield of one option with spreads moved, on common draws.

The case is prepared, and where that is worth it compiled, once; every bound after that evaluates units anew under other
multipliers. What is counted of them are whole numbers, so that neither blocks nor threads change a bound by a bit.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from margin.backends.threads import workers_for
from margin.backends.units import unit_engine
from margin.case.types import Case
from margin.estimates.yield_result import Estimate
from margin.estimates.yields import yield_of
from margin.propagation.frame import SECTIONS, Frame
from margin.propagation.model import Model, model_of
from margin.propagation.outcomes import Asked, Outcomes, UnitEngine
from margin.propagation.plan import LARGEST_BLOCK, Block, Plan, default_block, plan_of
from margin.propagation.run_result import Progress
from margin.propagation.tally import RATIO_BINS, BlockTally, Judged, Tally, needed_within, tally_counted
from margin.propagation.threads import in_threads
from margin.propagation.variants import Variant

Scales = Mapping[str, float]

UNCERTAIN = ("common", "station")
"""Levels whose draws are the same for all units of an outer draw."""

AT_ONCE = 64
"""Variants evaluated on the draws of a block before the next block: their counts are held meanwhile."""


@dataclass(frozen=True)
class MovedBounds:
    """Bounds of the one option of a case under multipliers of its spreads.

    model   of the case with a shift at every quantity that is moved; still: those shifts, at rest
    plan    units that are drawn
    """

    model: Model
    plan: Plan
    engine: UnitEngine
    still: Scales
    workers: int
    block: int

    @classmethod
    def of(
        cls,
        case: Case,
        shifts: Sequence[str],
        variants: int,
        workers: int | None = None,
        model: Model | None = None,
    ) -> MovedBounds:
        """Of a case with one option and a study of fixed size, to be asked for about so many bounds."""
        model = model_of(case) if model is None else model
        plan = plan_of(case)
        engine = unit_engine(model, plan.frame, variants)
        block = LARGEST_BLOCK if engine.fast else default_block(case)
        threads = workers_for(case, plan.frame.units) if workers is None else workers
        return cls(model, plan, engine, dict.fromkeys(shifts, 0.0), threads, block)

    def __call__(self, moved: Sequence[Scales], progress: Progress | None = None) -> list[Estimate | None]:
        """The bound under each set of multipliers; None where a force error is not a number."""
        found: list[Estimate | None] = []
        for first in range(0, len(moved), AT_ONCE):
            found += self._some(moved[first : first + AT_ONCE])
            if progress is not None:
                progress(len(moved[first : first + AT_ONCE]))
        return found

    def _some(self, moved: Sequence[Scales]) -> list[Estimate | None]:
        variants = [Variant({**self.still, **own}) for own in moved]
        frame = self.plan.frame
        tallies: list[Tally | None] = [_empty(frame) for _ in variants]

        def counted(block: Block) -> list[BlockTally | None]:
            drawn = self.engine.outcomes(block.start, block.count, variants, Asked())
            return [None if one is None else _tallied(frame, one, block) for one in drawn]

        for results in in_threads(counted, self.plan.blocks(self.block), self.workers):
            for number, one in enumerate(results):
                whole = tallies[number]
                if one is None or whole is None:
                    tallies[number] = None
                else:
                    one.add_to(whole)
        return [
            None if whole is None else self._bound(whole, variant.scales)
            for whole, variant in zip(tallies, variants, strict=True)
        ]

    def _bound(self, whole: Tally, scales: Scales) -> Estimate:
        need, frame = self.model.case.requirement, self.plan.frame
        if frame.outer > 1 and not self._uncertain(scales):
            # all is known: every unit counts alike, as in a study without outer draws
            frame = dataclasses.replace(frame, outer=1)
        return yield_of(frame, whole, need.counts, need.confidence).bound

    def _uncertain(self, scales: Scales) -> bool:
        """Whether anything varies between outer draws."""
        for factor in self.model.factors:
            if factor.name in self.still or scales.get(factor.name, 1.0) == 0.0:
                continue
            if factor.level in UNCERTAIN:
                return True
            if factor.measured_on is not None and scales.get(factor.knowledge_name, 1.0) != 0.0:
                return True
        return False


def _empty(frame: Frame) -> Tally:
    """A tally without the distribution of errors, of which a bound takes nothing."""
    none = np.zeros((1, 1))
    return Tally(
        np.zeros((SECTIONS, 1, 1, 1), dtype=np.int64),
        none,
        none.copy(),
        np.zeros((SECTIONS, RATIO_BINS.size), dtype=np.int64),
        np.zeros((frame.groups, 3), dtype=np.int64),
        np.zeros(frame.readings + 1, dtype=np.int64),
        np.zeros(2, dtype=np.int64),
        np.zeros((2, frame.grouping.units_per_lot + 1), dtype=np.int64),
    )


def _tallied(frame: Frame, found: Outcomes, block: Block) -> BlockTally:
    largest, within = found.largest[0], found.within[0]
    unasked = np.zeros((2, largest.size), dtype=np.bool_)
    judged = Judged(largest, within, within >= needed_within(frame), largest <= 1.0, unasked)
    none = np.zeros((1, 1))
    counted = np.zeros((1, 1, 1), dtype=np.int64)
    return tally_counted(frame, counted, none, none, judged, block.start, block.section)
