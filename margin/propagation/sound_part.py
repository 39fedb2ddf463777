"""Checks of a stored part: whether its counts can be those of its units.

A digest shows that a file is what was written; these laws show that what was written is a part of this study. Every
reading and every unit is counted once, so that most counts have a known sum.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from margin.propagation.frame import Frame
from margin.propagation.partial import SAMPLE_UNITS, BlockResult
from margin.propagation.plan import Block
from margin.propagation.tally import RATIO_BINS, BlockTally


class UnsoundPart(ValueError):
    """A stored part that is no part of the study: what is wrong with it."""


def require_sound(result: BlockResult, block: Block, frame: Frame, options: tuple[str, ...]) -> None:
    """UnsoundPart unless the result can be that of the block: units, options, shapes, types, signs and sums."""
    _require(result.block == block, f"it has {_units(result.block)}, not {_units(block)}")
    found = tuple(result.tallies)
    _require(found == options, f"it has the calibrations {', '.join(found)}, not {', '.join(options)}")
    loads = frame.loads.size
    at_a_load = block.count * frame.readings // loads
    for name, counts in (("clipped", result.clipped), ("blind", result.blind)):
        _require_counts(name, counts, (loads,), most=at_a_load)
    units = max(min(SAMPLE_UNITS, block.start + block.count) - block.start, 0)
    for option, tally in result.tallies.items():
        _require_array(f"{option}: samples", result.samples[option], (units, loads), np.float64)
        _require_sound_tally(option, tally, block, frame)


def _require_sound_tally(option: str, tally: BlockTally, block: Block, frame: Frame) -> None:
    conditions, loads, count = len(frame.conditions), frame.loads.size, block.count
    _require(tally.section == block.section, f"{option}: section {tally.section}, not {block.section}")

    _require_counts(f"{option}: errors", tally.errors, (conditions, loads, frame.bins.size))
    each = count * frame.readings // (conditions * loads)
    _require(bool(np.all(tally.errors.sum(axis=2) == each)), f"{option}: errors do not sum to its readings")
    for name, extreme in (("low", tally.low), ("high", tally.high)):
        _require_array(f"{option}: {name}", extreme, (conditions, loads), np.float64)
    _require(bool(np.all(tally.low <= tally.high)), f"{option}: lowest errors above the highest")

    _require_counts(f"{option}: largest", tally.largest, (RATIO_BINS.size,))
    _require_counts(f"{option}: shares", tally.shares, (frame.readings + 1,))
    for name, counts in (("largest", tally.largest), ("shares", tally.shares)):
        _require(counts.sum() == count, f"{option}: {name} do not sum to its units")
    _require_counts(f"{option}: halves", tally.halves, (2,), most=count)

    first, groups = _groups(block, frame)
    _require(tally.first_group == first, f"{option}: first group {tally.first_group}, not {first}")
    _require_counts(f"{option}: within", tally.within, (groups, 3))
    readings, by_share, everywhere = tally.within.sum(axis=0)
    _require(readings == _weighted(tally.shares), f"{option}: readings within disagree with its shares")
    _require(max(by_share, everywhere) <= count, f"{option}: more units within than it has")

    lot = frame.grouping.units_per_lot
    _require_counts(f"{option}: lots", tally.lots, (2, lot + 1))
    if frame.by_lot:
        ends = frame.grouping.lot_of(np.array([block.start, block.start + count - 1]))
        lots = int(ends[1] - ends[0]) + 1
        _require(bool(np.all(tally.lots.sum(axis=1) == lots)), f"{option}: lots do not sum to its lots")
        units = [_weighted(row) for row in tally.lots]
        _require(units == [by_share, everywhere], f"{option}: units within disagree with its lots")
    else:
        _require(not tally.lots.any(), f"{option}: lots counted where nothing varies by lot")


def _groups(block: Block, frame: Frame) -> tuple[int, int]:
    """First group that the units of a block touch, and their number."""
    if frame.outer == 1:
        return block.section, 1
    ends = frame.grouping.cell_of(np.array([block.start, block.start + block.count - 1]))
    return int(ends[0]), int(ends[1] - ends[0]) + 1


def _weighted(counts: NDArray[np.int64]) -> int:
    return int(np.arange(len(counts)) @ counts)


def _require_counts(
    name: str, counts: NDArray[np.int64], shape: tuple[int, ...], most: int | None = None
) -> None:
    _require_array(name, counts, shape, np.int64)
    _require(not counts.size or int(counts.min()) >= 0, f"{name} has a negative count")
    _require(most is None or int(counts.max()) <= most, f"{name} counts more than {most}")


def _require_array(name: str, array: object, shape: tuple[int, ...], dtype: type[np.generic]) -> None:
    """Shape and type; a float must be finite."""
    if not isinstance(array, np.ndarray) or array.shape != shape or array.dtype != dtype:
        found = f"{array.dtype} {array.shape}" if isinstance(array, np.ndarray) else type(array).__name__
        raise UnsoundPart(f"{name} is {found}, not {np.dtype(dtype)} {shape}")
    _require(bool(np.all(np.isfinite(array))), f"{name} has a value that is not a number")


def _units(block: Block) -> str:
    return f"units {block.start} to {block.start + block.count - 1} of section {block.section}"


def _require(holds: bool, wrong: str) -> None:
    if not holds:
        raise UnsoundPart(wrong)
