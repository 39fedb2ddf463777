"""Counts of the errors of a block that lie on a device: only counts and extremes come back."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from margin.backends.device.arrays import DeviceArray
from margin.backends.device.space import Space
from margin.propagation.plan import Block
from margin.propagation.tally import RATIO_BINS, Frame, Judged, Tally, require_numbers

Counts = NDArray[np.int64]


def count_on_device(
    space: Space, option: str, frame: Frame, errors: list[DeviceArray], pieces: list[Block], tally: Tally
) -> None:
    """Add the errors of a block of whole lots to the tally of an option; pieces: its units by section.

    Raises EvaluationError for errors that are not numbers.
    """
    start = pieces[0].start
    for piece in pieces:
        own = slice(piece.start - start, piece.start - start + piece.count)
        for row, error in enumerate(errors):
            found = space.counted(error[own], frame.bins)
            if found.bad:
                require_numbers(option, frame, [e[own].to_host() for e in errors], piece.start)
            tally.errors[piece.section, row] += found.counts
            np.minimum(tally.low[row], found.low, out=tally.low[row])
            np.maximum(tally.high[row], found.high, out=tally.high[row])
    count_judged(space, frame, space.judged(frame, errors), pieces, tally)


def count_judged(space: Space, frame: Frame, found: Judged, pieces: list[Block], tally: Tally) -> None:
    """Add what became of the units of a block, judged on the device, to the tally of an option."""
    judged: Any = found
    start, units = pieces[0].start, sum(piece.count for piece in pieces)
    for piece in pieces:
        own = judged.largest[piece.start - start : piece.start - start + piece.count]
        tally.largest[piece.section] += space.counted(own.reshape(-1, 1), RATIO_BINS).counts[0]
    columns = (judged.within, judged.by_share, judged.everywhere)
    groups, ends = _groups(frame, pieces, units)
    # one section may have several pieces in a block
    np.add.at(tally.within, groups, np.stack([_sums(column, ends) for column in columns], axis=1))
    # nearly all units have every reading within, and a device is slow to count many into one place
    beyond = judged.within[judged.within < frame.readings]
    if beyond.size:
        by_number: Any = np.bincount(beyond, minlength=frame.readings + 1)
        tally.shares[...] += by_number.to_host()
    tally.shares[frame.readings] += units - beyond.size
    # sums along a few long rows: a device is slow to reduce those
    tally.halves[...] += np.concatenate([_sums(row, np.array([units])) for row in judged.halves])
    if frame.by_lot:
        per_lot = frame.grouping.units_per_lot
        last = np.append(np.arange(per_lot, units, per_lot), units)
        for row, column in enumerate(columns[1:]):
            tally.lots[row] += np.bincount(_sums(column, last), minlength=per_lot + 1)


def _groups(frame: Frame, pieces: list[Block], units: int) -> tuple[Counts, Counts]:
    """Groups of the block, sections or cells of outer draws, and where each ends among its units."""
    start = pieces[0].start
    if frame.outer == 1:
        return np.array([p.section for p in pieces]), np.array([p.start + p.count - start for p in pieces])
    per_cell = frame.grouping.units_per_cell
    first = start // per_cell
    ends = np.append(np.arange((first + 1) * per_cell - start, units, per_cell, dtype=np.int64), units)
    return first + np.arange(ends.size), ends


def _sums(values: Any, ends: Counts) -> Counts:
    """Sums of whole numbers over stretches that end before `ends`."""
    reached: Any = np.cumsum(values.astype(np.int64))
    sums: Counts = np.diff(reached[ends - 1].to_host(), prepend=0)
    return sums
