"""Tallies of units judged on a device: only counts come back."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from margin.backends.device.device_array import DeviceArray
from margin.backends.device.space import CudaSpace
from margin.propagation.plan import Block
from margin.propagation.tally import RATIO_BINS, BlockTally, Frame, Judged

Array = NDArray[np.float64]
Counts = NDArray[np.int64]


def tally_parts(
    space: CudaSpace,
    frame: Frame,
    judged: Judged,
    parts: list[Block],
    errors: Counts,
    low: Array,
    high: Array,
) -> list[BlockTally]:
    """Tallies of parts, whole lots that follow each other, whose errors are counted.

    judged  arrays of the device, over the units of all parts
    errors  (part, condition, load, bin); low, high: (part, condition, load), N
    """
    start, units = parts[0].start, sum(part.count for part in parts)
    ends = np.array([part.start - start + part.count for part in parts])
    firsts = [0, *ends[:-1].tolist()]
    groups = [_groups(frame, part, first) for part, first in zip(parts, firsts, strict=True)]
    of_group = np.concatenate([last for _, last in groups])
    within = _by_stretch((judged.within, judged.by_share, judged.everywhere), of_group)
    halves = _by_stretch((judged.halves[0], judged.halves[1]), ends)
    size = frame.grouping.units_per_lot
    # where nothing varies from lot to lot a lot is one unit: places of millions are not to be made in vain
    of_lot = np.append(np.arange(size, units, size), units) if frame.by_lot else np.zeros(0, dtype=np.int64)
    lots = _by_stretch((judged.by_share, judged.everywhere), of_lot) if frame.by_lot else None
    found: list[BlockTally] = []
    row = 0
    for number, (part, first, (group, last)) in enumerate(zip(parts, firsts, groups, strict=True)):
        end = first + part.count
        by_lot = np.zeros((2, size + 1), dtype=np.int64)
        if lots is not None:
            of_part = lots[:, (of_lot > first) & (of_lot <= end)]
            by_lot = np.stack([np.bincount(each, minlength=size + 1) for each in of_part])
        own: Any = judged
        found.append(
            BlockTally(
                part.section, errors[number], low[number], high[number],
                space.histogram(own.largest[first:end], RATIO_BINS), group, within[:, row : row + last.size].T,
                _shares(frame, own.within[first:end]), halves[:, number], by_lot,
            )
        )  # fmt: skip
        row += last.size
    return found


def _groups(frame: Frame, part: Block, first: int) -> tuple[int, Counts]:
    """First group of a part that begins at unit `first` of a block, section or cell, and where each group ends."""
    if frame.outer == 1:
        return part.section, np.array([first + part.count])
    per_cell = frame.grouping.units_per_cell
    group = part.start // per_cell
    inside = np.arange((group + 1) * per_cell - part.start, part.count, per_cell, dtype=np.int64)
    return group, first + np.append(inside, part.count)


def _shares(frame: Frame, within: DeviceArray) -> Counts:
    """Units by how many of their readings are within."""
    shares = np.zeros(frame.readings + 1, dtype=np.int64)
    # nearly all units have every reading within, and a device is slow to count many into one place
    beyond: Any = within[within < frame.readings]
    if beyond.size:
        by_number: Any = np.bincount(beyond, minlength=frame.readings + 1)
        shares += by_number.to_host()
    shares[frame.readings] += within.size - beyond.size
    return shares


def _by_stretch(columns: tuple[Any, ...], ends: Counts) -> Counts:
    """Sums of columns over stretches that end before `ends`, (column, stretch)."""
    sums = []
    for column in columns:
        # sums along one long row: a device is slow to reduce many short ones
        reached: Any = np.cumsum(column.astype(np.int64))
        sums.append(np.diff(reached[ends - 1].to_host(), prepend=0))
    return np.stack(sums)
