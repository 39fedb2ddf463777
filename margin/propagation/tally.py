"""What is kept of the errors of a block, and how blocks add up: whole numbers and extremes only.

Whole numbers add up to the same total in any order, so that neither the number of workers nor the size of the
blocks can change a result, and what is kept does not grow with the number of units.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from margin.case.types import Case, Requirement
from margin.propagation.draws import Grouping
from margin.propagation.histogram import Bins
from margin.propagation.readings import condition_name, readings_of_a_unit, use_conditions

Array = NDArray[np.float64]
Counts = NDArray[np.int64]

SECTIONS = 10
"""Units are counted in this many equal sections, so that any statistic gets an interval from its own scatter
between sections, whatever ties the units of a section together (lots, outer draws)."""

ROUNDING = 1e-9
"""Errors, and changes of them, below this share of the span are rounding of the arithmetic, not an effect."""

RATIO_BINS = Bins(1.0, lowest=-12, highest=12)
"""Bins of the largest error of a unit, relative to the permissible error."""


class EvaluationError(ValueError):
    """An error that is not a number: names the option, the load and the first unit."""


def permissible_error(requirement: Requirement, loads: Array, span: float) -> Array:
    """Maximum permissible error, N, at each load: the larger or the sum of its parts."""
    parts = np.stack(
        [
            requirement.reading * np.abs(loads),
            np.full_like(loads, requirement.span * span),
            np.full_like(loads, requirement.absolute),
        ]
    )
    total: Array = parts.sum(axis=0) if requirement.combine == "sum" else parts.max(axis=0)
    return total


@dataclass(frozen=True)
class Frame:
    """What every block of a run has in common. loads, permissible: (load,), N.

    repeated  better points are drawn, and the sections are independent repetitions of them
    """

    loads: Array
    permissible: Array
    span: float
    share: float
    conditions: tuple[str, ...]
    readings: int
    grouping: Grouping
    outer: int
    by_lot: bool
    repeated: bool

    @classmethod
    def of(cls, case: Case, grouping: Grouping, outer: int, by_lot: bool) -> Frame:
        loads = np.asarray(case.check_loads, dtype=np.float64)
        return cls(
            loads,
            permissible_error(case.requirement, loads, case.span),
            case.span,
            case.requirement.share,
            tuple(condition_name(c) for c in use_conditions(case)),
            readings_of_a_unit(case),
            grouping,
            outer,
            by_lot,
            case.study.points != "random",
        )

    @property
    def units(self) -> int:
        return self.outer * self.grouping.units_per_draw

    @property
    def groups(self) -> int:
        """Groups in which what is within is counted: outer draws, or sections where there is but one."""
        return self.outer if self.outer > 1 else SECTIONS

    @property
    def bins(self) -> Bins:
        """Bins of the error, N."""
        return Bins(self.span)


@dataclass(frozen=True)
class Tally:
    """Counts over any number of blocks for one calibration option.

    errors    (section, condition, load, bin) signed error, N
    low, high (condition, load) extremes of the error, N
    largest   (section, bin) each unit's largest |error| relative to the permissible one
    within    (group, 3) readings, units by share, units everywhere that are within
    shares    (readings a unit + 1,) units by how many of their readings are within
    halves    (2,) units within everywhere, judged on the first and on the second half of their readings
    lots      (2, units a lot + 1) lots by how many of their units are within by share and everywhere
    """

    errors: Counts
    low: Array
    high: Array
    largest: Counts
    within: Counts
    shares: Counts
    halves: Counts
    lots: Counts

    @classmethod
    def empty(cls, frame: Frame) -> Tally:
        c, f = len(frame.conditions), frame.loads.size
        return cls(
            np.zeros((SECTIONS, c, f, frame.bins.size), dtype=np.int64),
            np.full((c, f), np.inf),
            np.full((c, f), -np.inf),
            np.zeros((SECTIONS, RATIO_BINS.size), dtype=np.int64),
            np.zeros((frame.groups, 3), dtype=np.int64),
            np.zeros(frame.readings + 1, dtype=np.int64),
            np.zeros(2, dtype=np.int64),
            np.zeros((2, frame.grouping.units_per_lot + 1), dtype=np.int64),
        )


@dataclass(frozen=True)
class BlockTally:
    """Counts of one block, all of one section; only the rows that it touches."""

    section: int
    errors: Counts
    low: Array
    high: Array
    largest: Counts
    first_group: int
    within: Counts
    shares: Counts
    halves: Counts
    lots: Counts

    def add_to(self, tally: Tally) -> None:
        """Add this block to the whole."""
        tally.errors[self.section] += self.errors
        tally.largest[self.section] += self.largest
        tally.within[self.first_group : self.first_group + len(self.within)] += self.within
        tally.shares[...] += self.shares
        tally.halves[...] += self.halves
        tally.lots[...] += self.lots
        np.minimum(tally.low, self.low, out=tally.low)
        np.maximum(tally.high, self.high, out=tally.high)


@dataclass(frozen=True)
class Judged:
    """What the requirement makes of each unit of a block.

    largest   (unit,) largest |error| relative to the permissible one
    within    (unit,) readings within; by_share, everywhere: (unit,) bool
    halves    (2, unit) bool: within everywhere on the first and on the second half of the readings
    """

    largest: Array
    within: Counts
    by_share: NDArray[np.bool_]
    everywhere: NDArray[np.bool_]
    halves: NDArray[np.bool_]


def judge(frame: Frame, errors: list[Array]) -> Judged:
    """Judge units by their errors, one array (unit, condition, loading, reading, load) for each condition.

    Readings at a load are halved by their order in the use (condition, loading, reading).
    """
    ratios = [np.abs(e) / frame.permissible for e in errors]
    units = ratios[0].shape[0]
    worst = np.concatenate([r.max(axis=4).reshape(units, -1) for r in ratios], axis=1)
    half = max(worst.shape[1] // 2, 1)
    largest = worst.max(axis=1)
    # only units beyond somewhere need be counted out
    within = np.full(units, worst.shape[1] * frame.loads.size, dtype=np.int64)
    beyond = np.flatnonzero(~(largest <= 1.0))
    within[beyond] = sum(np.count_nonzero(r[beyond] <= 1.0, axis=(1, 2, 3, 4)) for r in ratios)
    return Judged(
        largest,
        within,
        within >= needed_within(frame),
        largest <= 1.0,
        np.stack([worst[:, :half].max(axis=1) <= 1.0, worst[:, -half:].max(axis=1) <= 1.0]),
    )


def needed_within(frame: Frame) -> int:
    """Readings within that make a unit conform by share; a share is met up to rounding: 0.95 of 20 are 19."""
    return int(np.ceil(frame.share * frame.readings - 1e-9))


def require_numbers(option: str, frame: Frame, errors: list[Array], start: int) -> None:
    """Raise EvaluationError where an error is not a finite number."""
    for condition, error in zip(frame.conditions, errors, strict=True):
        bad = ~np.isfinite(error)
        if bad.any():
            place = np.argwhere(bad)[0]
            raise EvaluationError(
                f"calibration {option!r}: {int(bad.sum())} force errors are not numbers; the first is unit "
                f"{start + int(place[0])} at {frame.loads[place[-1]]:g} N in condition {condition!r}: the chain "
                "gave no finite output there; look at the extremes of the spreads in this case"
            )


def tally_block(frame: Frame, errors: list[Array], judged: Judged, start: int, section: int) -> BlockTally:
    """Count one block that starts with unit `start`; it lies in one section and holds whole lots."""
    bins, loads = frame.bins, frame.loads.size
    first = np.arange(len(errors) * loads, dtype=np.int32).reshape(-1, loads) * np.int32(bins.size)
    places = [bins.index(error) for error in errors]
    for index, offsets in zip(places, first, strict=True):
        index += offsets
    flat = np.concatenate([index.ravel(order="K") for index in places])
    counted = np.bincount(flat, minlength=first.size * bins.size).reshape(-1, loads, bins.size)
    low = np.stack([e.min(axis=(0, 1, 2, 3)) for e in errors])
    high = np.stack([e.max(axis=(0, 1, 2, 3)) for e in errors])
    return tally_counted(frame, counted, low, high, judged, start, section)


def tally_counted(
    frame: Frame, counted: Counts, low: Array, high: Array, judged: Judged, start: int, section: int
) -> BlockTally:
    """Tally of a block whose errors are counted: counted (condition, load, bin); low, high (condition, load)."""
    units = judged.largest.size
    if frame.outer > 1:
        group = frame.grouping.outer_of(np.arange(start, start + units, dtype=np.int64))
    else:
        group = np.full(units, section, dtype=np.int64)
    first = int(group[0])
    columns = (judged.within, judged.by_share, judged.everywhere)
    rows = int(group[-1]) - first + 1
    within = np.stack([_sums(group - first, c, rows) for c in columns], axis=1)
    size = frame.grouping.units_per_lot + 1
    lots = np.zeros((2, size), dtype=np.int64)
    if frame.by_lot:
        lot = frame.grouping.lot_of(np.arange(start, start + units, dtype=np.int64))
        lot -= lot[0]
        for row, column in enumerate((judged.by_share, judged.everywhere)):
            lots[row] = np.bincount(_sums(lot, column, int(lot[-1]) + 1), minlength=size)
    return BlockTally(
        section,
        counted,
        low,
        high,
        np.bincount(RATIO_BINS.index(judged.largest), minlength=RATIO_BINS.size),
        first,
        within,
        np.bincount(judged.within, minlength=frame.readings + 1),
        np.count_nonzero(judged.halves, axis=1),
        lots,
    )


def _sums(group: Counts, values: Counts | NDArray[np.bool_], groups: int) -> Counts:
    """Sum of whole numbers by group (exact: below 2**53)."""
    return np.bincount(group, weights=values, minlength=groups).astype(np.int64)
