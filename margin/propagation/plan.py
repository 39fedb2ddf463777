"""How a study is cut: outer draws, lots, sections, blocks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from margin.case.types import Case
from margin.propagation.draws import Grouping
from margin.propagation.factors import varies_by_lot
from margin.propagation.readings import readings_of_a_unit
from margin.propagation.tally import SECTIONS, Frame

VALUES_IN_BLOCK = 1 << 17
"""Readings in a block by default: arrays of 1 MB, which stay in the cache of a core."""

SMALLEST_BLOCK, LARGEST_BLOCK = 64, 8192


@dataclass(frozen=True)
class Block:
    """Units `start` to `start + count`, all of one section."""

    start: int
    count: int
    section: int


@dataclass(frozen=True)
class Plan:
    """What is drawn: the frame that all blocks share, and the boundaries of the sections."""

    frame: Frame
    boundaries: tuple[int, ...]

    def blocks(self, size: int) -> Iterator[Block]:
        """Blocks of about `size` units: whole lots where lots matter, none across sections."""
        step = size
        if self.frame.by_lot:
            lot = self.frame.grouping.units_per_lot
            step = max(size // lot, 1) * lot
        for section, (low, high) in enumerate(zip(self.boundaries[:-1], self.boundaries[1:], strict=True)):
            for start in range(low, high, step):
                yield Block(start, min(step, high - start), section)


def plan_of(case: Case) -> Plan:
    """Plan of a case's study.

    The number of units is rounded up to whole outer draws, and these to whole lots where lots matter, two at
    least: one lot tells nothing of how lots differ. Sections hold whole outer draws where there are enough of
    them, and whole lots.
    """
    study, by_lot = case.study, varies_by_lot(case)
    outer = study.outer
    per_draw = max(-(-study.units // outer), 1)
    per_lot = min(study.units_per_lot, per_draw)
    if by_lot:
        per_draw = max(-(-per_draw // per_lot), 2 if outer == 1 else 1) * per_lot
    frame = Frame.of(case, Grouping(per_draw, per_lot), outer, by_lot)
    units = frame.units
    lots = per_lot if by_lot else 1
    step = per_draw if outer >= SECTIONS else lots
    pieces = units // step
    boundaries = tuple(step * (pieces * k // SECTIONS) for k in range(SECTIONS)) + (units,)
    return Plan(frame, boundaries)


def default_block(case: Case) -> int:
    """Units in a block such that one array of readings fits the cache."""
    return min(max(VALUES_IN_BLOCK // readings_of_a_unit(case), SMALLEST_BLOCK), LARGEST_BLOCK)
