"""Sums over units of what changes of a case do to them: whole numbers, exact whatever the order of the blocks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from margin.case.types import Case
from margin.estimates.paired_changes import Beyond
from margin.propagation.frame import Frame
from margin.propagation.outcomes import Asked, Outcomes, UnitEngine, conforming
from margin.propagation.tally import ROUNDING
from margin.propagation.variants import Variant

Array = NDArray[np.float64]
Counts = NDArray[np.int64]


@dataclass
class ChangeSums:
    """What has been summed of the units of a budget so far; variant 0 is the unchanged case.

    cluster     units in a cluster
    thresholds  (variant, option) |error|, N, near the leading quantile
    units       summed
    conforming  (variant, option) units that conform, or their readings within where these count
    gained, lost  the same of those that differ from variant 0; squares: sums over clusters of (gained - lost)^2
    sizes       (variant, option, bin) readings by |error|
    moved       (variant, option) whether any unit's largest error differs from that of variant 0 by more than rounding
    failed      (variant,) whether a force error was not a number
    beyond      by option
    """

    case: Case
    frame: Frame
    cluster: int
    thresholds: Array
    units: int = 0
    conforming: Counts = field(init=False)
    gained: Counts = field(init=False)
    lost: Counts = field(init=False)
    squares: Counts = field(init=False)
    sizes: Counts = field(init=False)
    moved: NDArray[np.bool_] = field(init=False)
    failed: NDArray[np.bool_] = field(init=False)
    beyond: list[Beyond] = field(default_factory=list)
    _adding: Lock = field(default_factory=Lock)

    def __post_init__(self) -> None:
        shape = self.thresholds.shape
        self.conforming, self.gained, self.lost, self.squares = (
            np.zeros(shape, dtype=np.int64) for _ in range(4)
        )
        self.sizes = np.zeros((*shape, self.frame.bins.half + 1), dtype=np.int64)
        self.moved = np.zeros(shape, dtype=np.bool_)
        self.failed = np.zeros(shape[0], dtype=np.bool_)

    @property
    def clusters(self) -> int:
        """Clusters summed."""
        return self.units // self.cluster

    @property
    def each(self) -> int:
        """What a unit counts that conforms in full."""
        return self.frame.readings if self.case.requirement.counts == "readings" else 1

    def add(self, engine: UnitEngine, variants: Sequence[Variant], start: int, count: int) -> None:
        """Evaluate the units `start` to `start + count`, whole clusters, under every variant; any thread may call."""
        left = np.flatnonzero(~self.failed).tolist()
        asked = Asked(sizes=True, thresholds=self.thresholds[left])
        outcomes = engine.outcomes(start, count, [variants[number] for number in left], asked)
        self.add_outcomes(zip(left, outcomes, strict=True), count)

    def add_outcomes(self, outcomes: Iterable[tuple[int, Outcomes | None]], count: int) -> None:
        """Add what became of so many units, whole clusters, under the variants of these numbers, in their order."""
        before: Outcomes | None = None
        beyond = np.zeros((*self.thresholds.shape[::-1], count // self.cluster))
        for number, found in outcomes:
            if found is None:
                self.failed[number] = True
                continue
            before = found if before is None else before
            beyond[:, number] = self._by_cluster(_of(found.beyond))
            self._add_units(number, found, before)
        sums = [Beyond.of(each, self.cluster * self.frame.readings) for each in beyond]
        with self._adding:
            self.units += count
            self.beyond = [a + b for a, b in zip(self.beyond, sums, strict=True)] if self.beyond else sums

    def _add_units(self, number: int, found: Outcomes, before: Outcomes) -> None:
        counts = self.case.requirement.counts
        score, unchanged = (conforming(each, self.frame, counts) for each in (found, before))
        change = score - unchanged
        squares = np.square(self._by_cluster(change)).sum(axis=1)
        permissible = self.frame.permissible.max()
        differs = np.abs(found.largest - before.largest) * permissible > ROUNDING * self.frame.span
        with self._adding:
            self.conforming[number] += score.sum(axis=1)
            self.gained[number] += np.maximum(change, 0).sum(axis=1)
            self.lost[number] += np.maximum(-change, 0).sum(axis=1)
            self.squares[number] += squares
            self.sizes[number] += _of(found.sizes)
            self.moved[number] |= differs.any(axis=1)

    def _by_cluster(self, values: Counts) -> Counts:
        return values if self.cluster == 1 else values.reshape(len(values), -1, self.cluster).sum(axis=2)

    def changed(self, number: int, option: int) -> bool:
        """Whether a variant moved anything by more than rounding."""
        same = np.array_equal(self.sizes[number, option], self.sizes[0, option])
        return bool(self.moved[number, option]) or not same


def _of(counts: Counts | None) -> Counts:
    if counts is None:
        raise ValueError("outcomes do not contain the sums asked for")
    return counts
