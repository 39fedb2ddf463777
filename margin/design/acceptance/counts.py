"""Units drawn, tested, used and counted by the largest error that the station saw: whole numbers only.

From the counts any test limit is answered afterwards. Blocks add up to the same counts in any order, whatever their
size and the number of workers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from margin.design.acceptance.station_test import StationTest, UnitsAtTest, permissible_at, units_at_test
from margin.propagation.frame import Frame
from margin.propagation.histogram import Bins
from margin.propagation.memory import keep_freed_memory
from margin.propagation.model import Model
from margin.propagation.outcomes import Outcomes, conforming
from margin.propagation.plan import Block, Plan, default_block
from margin.propagation.threads import in_threads

Array = NDArray[np.float64]
Counts = NDArray[np.int64]

STEPS = 500
"""Steps in which the permissible error is divided: limits are found to 0.2 % of it."""

WIDEST = 2.0
"""Multiple of the permissible error up to which limits are looked for."""

DIFFERENCE_BINS = Bins(1.0)
"""Bins of the error of measurement at the test, relative to the permissible error."""


@dataclass(frozen=True)
class Counted:
    """Counts of units by group and by the largest error seen.

    limits       (limit,) test limits, ascending, as multiples of the permissible error: a unit is shipped where its
                 largest error seen over the test loads is no larger; bins beyond the last: larger errors
    units        (group, limit + 1) units by the smallest limit that ships them
    conforming   (group, limit + 1) of these, conforming in use; their readings within where readings count
    sound        (group, limit + 1) of these, within the permissible error at the test loads but for the reference
    differences  (load, bin) error seen less true error over the permissible error, see `DIFFERENCE_BINS`
    """

    limits: Array
    units: Counts
    conforming: Counts
    sound: Counts
    differences: Counts

    @classmethod
    def empty(cls, frame: Frame, limits: Array, loads: int) -> Counted:
        shape = (frame.groups, limits.size + 1)
        units, conforming, sound = (np.zeros(shape, dtype=np.int64) for _ in range(3))
        return cls(limits, units, conforming, sound, np.zeros((loads, DIFFERENCE_BINS.size), dtype=np.int64))

    def place(self, limit: float) -> int:
        """Place of the largest limit that is counted and not above `limit`; -1 where `limit` is below the first."""
        return int(np.searchsorted(self.limits, limit, side="right")) - 1

    @property
    def uncertainty(self) -> Array:
        """Standard uncertainty of the error seen over the permissible error, (load,): root mean square of error seen
        less true error over all units and stations drawn, from bin centres (relative error below 1e-5)."""
        edges = DIFFERENCE_BINS.edges()
        centre = 0.5 * (edges[:-1] + edges[1:])
        found: Array = np.sqrt(self.differences @ centre**2 / self.differences.sum(axis=1))
        return found


def limits_of(further: tuple[float, ...] = ()) -> Array:
    """Limits that are counted: steps of the permissible error up to `WIDEST` times it, and further ones."""
    steps = np.arange(int(STEPS * WIDEST) + 1, dtype=np.float64) / STEPS
    return np.union1d(steps, np.asarray(further, dtype=np.float64))


def draw_and_count(
    model: Model,
    plan: Plan,
    test: StationTest,
    limits: Array,
    *,
    workers: int = 1,
    block: int | None = None,
    progress: Callable[[int], None] | None = None,
) -> Counted:
    """Draw all units of a plan, test and use them, and count.

    block     units in a block; progress: called with the number of units just finished

    workers and block change the time, not a bit of the counts. Raises EvaluationError for errors that are not numbers.
    """
    keep_freed_memory()
    frame, total = plan.frame, Counted.empty(plan.frame, limits, len(test.loads))
    permissible = permissible_at(model.case, test.loads)

    def counted(part: Block) -> tuple[int, _Part]:
        tested = units_at_test(model, frame, test, part.start, part.count)
        return part.count, _counts(model, frame, tested, permissible, limits, part)

    for done, part in in_threads(counted, plan.blocks(block or default_block(model.case)), workers):
        rows = slice(part.first, part.first + part.units.shape[0])
        total.units[rows] += part.units
        total.conforming[rows] += part.conforming
        total.sound[rows] += part.sound
        total.differences[...] += part.differences
        if progress is not None:
            progress(done)
    return total


@dataclass(frozen=True)
class _Part:
    """Counts of one block: the groups from `first` on that it touches."""

    first: int
    units: Counts
    conforming: Counts
    sound: Counts
    differences: Counts


def _counts(
    model: Model, frame: Frame, tested: UnitsAtTest, permissible: Array, limits: Array, block: Block
) -> _Part:
    largest = (np.abs(tested.seen) / permissible).max(axis=1)
    sound = ((np.abs(tested.true) / permissible).max(axis=1) <= 1.0).astype(np.int64)
    used = Outcomes(tested.used.largest[np.newaxis], tested.used.within[np.newaxis])
    good = conforming(used, frame, model.case.requirement.counts)[0]
    unit = np.arange(block.start, block.start + block.count, dtype=np.int64)
    group = frame.grouping.cell_of(unit) if frame.outer > 1 else np.full(block.count, block.section)
    first, size = int(group[0]), limits.size + 1
    place = (group - first) * size + np.searchsorted(limits, largest, side="left")
    shape = (int(group[-1]) - first + 1, size)

    def by_place(weights: Counts | None = None) -> Counts:
        # sums of whole numbers below 2**53 are exact in double precision
        found = np.bincount(place, weights, minlength=shape[0] * size)
        return found.reshape(shape).astype(np.int64)

    difference = (tested.seen - tested.true) / permissible
    by_load = [
        np.bincount(DIFFERENCE_BINS.index(each), minlength=DIFFERENCE_BINS.size) for each in difference.T
    ]
    return _Part(first, by_place(), by_place(good), by_place(sound), np.stack(by_load).astype(np.int64))
