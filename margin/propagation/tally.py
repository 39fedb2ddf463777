"""What is kept of the errors of a block, and how blocks add up: whole numbers and extremes only.

Whole numbers add up to the same total in any order, so that neither the number of workers nor the size of the
blocks can change a result, and what is kept does not grow with the number of units.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import reduce
from itertools import accumulate
from typing import Any

import numpy as np
from numpy.typing import NDArray

from distributions.errors import MarginError
from margin.propagation.frame import SECTIONS as SECTIONS
from margin.propagation.frame import Frame as Frame
from margin.propagation.frame import permissible_error as permissible_error
from margin.propagation.histogram import Bins

Array = NDArray[np.float64]
Counts = NDArray[np.int64]

ROUNDING = 1e-9
"""Errors, and changes of them, below this share of the span are rounding of the arithmetic, not an effect."""

RATIO_BINS = Bins(1.0, lowest=-12, highest=40)
"""Bins of the largest error of a unit, relative to the permissible error, up to 1e12: an inversion may run away."""


class EvaluationError(MarginError, ValueError):
    """An error that is not a number: names the option, the load and the first unit."""


@dataclass(frozen=True)
class Tally:
    """Counts over any number of blocks for one calibration option.

    errors    (section, condition, load, bin) signed error, N
    low, high (condition, load) extremes of the error, N
    largest   (section, bin) each unit's largest |error| relative to the permissible one
    within    (group, 3) readings, units by share, units everywhere that are within; see `Frame.groups`
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

    def upto(self, groups: int) -> Tally:
        """The same counts with the first `groups` groups alone; blocks added later count in it as well."""
        return replace(self, within=self.within[:groups])


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

    Readings at a load are halved by their order in the use (condition, loading, reading). Division by one number
    keeps the order of errors, so that the largest of them is divided in place of each.
    """
    readings = [by_reading(e) for e in errors]
    units, count = errors[0].shape[0], sum(len(each) for each in readings)
    half = max(count // 2, 1)
    first, last = (_largest(frame, readings, *part) for part in ((0, half), (count - half, count)))
    largest = np.maximum(first, last)
    if count > 2 * half:
        largest = np.maximum(largest, _largest(frame, readings, half, count - half))
    # only units beyond somewhere need be counted out
    within = np.full(units, count * frame.loads.size, dtype=np.int64)
    beyond = np.flatnonzero(~(largest <= 1.0))
    within[beyond] = sum(
        np.count_nonzero(np.abs(e[beyond]) / frame.permissible <= 1.0, axis=(1, 2, 3, 4)) for e in errors
    )
    return Judged(
        largest, within, within >= needed_within(frame), largest <= 1.0, np.stack([first <= 1.0, last <= 1.0])
    )


def by_reading(errors: NDArray[Any]) -> NDArray[Any]:
    """An array (unit, condition, loading, reading, load) as (reading in use, load, unit); a view where it stands so."""
    return errors.transpose(1, 2, 3, 4, 0).reshape(-1, errors.shape[-1], errors.shape[0])


def counted_by_load(marks: NDArray[np.bool_], starts: list[int]) -> Counts:
    """True readings, (load, block), of blocks that begin at the units `starts`; marks: as errors."""
    readings = by_reading(marks).view(np.uint8)
    narrow = np.uint8 if len(readings) < 1 << 8 else np.uint32
    of_unit = readings.sum(axis=0, dtype=narrow)
    counted: Counts = np.add.reduceat(of_unit, starts, axis=1, dtype=np.int64)
    return counted


def _largest(frame: Frame, readings: list[Array], start: int, end: int) -> Array:
    """Largest |error| of each unit in readings `start` to `end` of its use, relative to the permissible one."""
    found: list[Array] = []
    before = 0
    for each in readings:
        part = each[max(start - before, 0) : max(end - before, 0)]
        if len(part):
            found += [part.max(axis=0), -part.min(axis=0)]
        before += len(each)
    largest: Array = (reduce(np.maximum, found) / frame.permissible[:, np.newaxis]).max(axis=0)
    return largest


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
    (found,) = tally_blocks(frame, errors, judged, start, [judged.largest.size], [section])
    return found


def tally_blocks(
    frame: Frame, errors: list[Array], judged: Judged, start: int, counts: list[int], sections: list[int]
) -> list[BlockTally]:
    """Count blocks that follow each other from unit `start`, of so many units, each in one section."""
    bins, loads, blocks = frame.bins, frame.loads.size, len(counts)
    shape = (blocks, len(errors), loads, bins.size)
    rows = np.arange(blocks * len(errors) * loads, dtype=np.int32).reshape(shape[:3]) * np.int32(bins.size)
    # units last: in memory they stand side by side
    first = np.repeat(rows.transpose(1, 2, 0), counts, axis=2)
    places = [bins.index(error) for error in errors]
    for index, offsets in zip(places, first, strict=True):
        index += offsets.T[:, np.newaxis, np.newaxis, np.newaxis, :]
    flat = [index.ravel(order="K") for index in places]
    counted = np.bincount(flat[0] if len(flat) == 1 else np.concatenate(flat), minlength=math.prod(shape))
    firsts, readings = firsts_of(counts), [by_reading(e) for e in errors]
    low = np.stack([_reduced(np.minimum, r.min(axis=0), firsts) for r in readings])
    high = np.stack([_reduced(np.maximum, r.max(axis=0), firsts) for r in readings])
    return _tallied(frame, counted.reshape(shape), low, high, judged, start, counts, sections)


def _reduced(of_two: np.ufunc, values: Array, firsts: list[int]) -> Array:
    """Extreme of the units of each block, (load, block); values: (load, unit)."""
    found: Array = of_two.reduceat(values, firsts, axis=1)
    return found


def tally_counted(
    frame: Frame, counted: Counts, low: Array, high: Array, judged: Judged, start: int, section: int
) -> BlockTally:
    """Tally of a block whose errors are counted: counted (condition, load, bin); low, high (condition, load)."""
    low, high = low[..., np.newaxis], high[..., np.newaxis]
    units = judged.largest.size
    (found,) = _tallied(frame, counted[np.newaxis], low, high, judged, start, [units], [section])
    return found


def _tallied(
    frame: Frame,
    counted: Counts,
    low: Array,
    high: Array,
    judged: Judged,
    start: int,
    counts: list[int],
    sections: list[int],
) -> list[BlockTally]:
    """Tallies of blocks that follow each other: counted (block, condition, load, bin); low, high (..., block)."""
    largest = _counted(RATIO_BINS.index(judged.largest), counts, RATIO_BINS.size)
    shares = _counted(judged.within, counts, frame.readings + 1)
    firsts = firsts_of(counts)
    halves = np.add.reduceat(judged.halves, firsts, axis=1, dtype=np.int64)
    columns = np.stack([judged.within, judged.by_share, judged.everywhere])
    within, groups = _by_group(frame, columns, start, counts, sections)
    lots = _by_lot(frame, columns[1:], start, counts)
    rows = zip(sections, counted, largest, groups, within, shares, lots, strict=True)
    return [
        BlockTally(
            section, errors, low[..., k], high[..., k], ratio, group, inside, share, halves[:, k], whole
        )
        for k, (section, errors, ratio, group, inside, share, whole) in enumerate(rows)
    ]


def firsts_of(counts: list[int]) -> list[int]:
    """Place of the first unit of each block among the units of all."""
    return [0, *accumulate(counts[:-1])]


def _by_group(
    frame: Frame, columns: Counts, start: int, counts: list[int], sections: list[int]
) -> tuple[list[Counts], list[int]]:
    """Sums of columns (column, unit) over the groups of each block, (group, column), and its first group."""
    if frame.outer == 1:
        return list(np.add.reduceat(columns, firsts_of(counts), axis=1).T[:, np.newaxis, :]), sections
    cell = frame.grouping.cell_of(np.arange(start, start + sum(counts), dtype=np.int64))
    firsts = firsts_of(counts)
    sums = [
        _sums(cell[first : first + count], columns[:, first : first + count])
        for first, count in zip(firsts, counts, strict=True)
    ]
    return sums, cell[firsts].tolist()


def _by_lot(frame: Frame, columns: Counts, start: int, counts: list[int]) -> Counts:
    """Lots of each block by the sum of columns (column, unit) over their units: (block, column, units of a lot + 1)."""
    size = frame.grouping.units_per_lot + 1
    lots = np.zeros((len(counts), len(columns), size), dtype=np.int64)
    if frame.by_lot:
        lot = frame.grouping.lot_of(np.arange(start, start + sum(counts), dtype=np.int64))
        for own, first, count in zip(lots, firsts_of(counts), counts, strict=True):
            units = slice(first, first + count)
            for row, sums in zip(own, _sums(lot[units], columns[:, units]).T, strict=True):
                row += np.bincount(sums, minlength=size)
    return lots


def _counted(values: NDArray[np.integer[Any]], counts: list[int], size: int) -> Counts:
    """How often each whole number below `size` occurs among the units of each block, (block, size)."""
    block = np.repeat(np.arange(0, len(counts) * size, size, dtype=np.int64), counts)
    return np.bincount(values + block, minlength=len(counts) * size).reshape(-1, size)


def _sums(group: Counts, columns: Counts) -> Counts:
    """Sums of columns (column, unit) over the units of each group, (group, column); groups ascend without a gap."""
    first = np.searchsorted(group, np.arange(group[0], group[-1] + 1))
    sums: Counts = np.add.reduceat(columns, first, axis=1).T
    return sums
