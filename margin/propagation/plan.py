"""How a study is cut: outer draws, lots, sections, blocks."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise

from margin.case.types import Case
from margin.propagation.factors import varies_by_lot
from margin.propagation.frame import SECTIONS, Frame
from margin.propagation.grouping import Grouping
from margin.propagation.readings import readings_of_a_unit

VALUES_IN_BLOCK = 1 << 18
"""Readings in a block by default: arrays of 2 MB, which stay in the cache, and outweigh the costs of a block."""

SMALLEST_BLOCK, LARGEST_BLOCK = 64, 8192

VALUES_IN_CHUNK = 1 << 22
"""Readings in a chunk: seconds of work, so that little is lost with it and few chunks make a long study."""


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

    @property
    def sections(self) -> tuple[slice, ...]:
        """Units of each section; a few large lots do not fill every one."""
        return tuple(slice(a, b) for a, b in pairwise(self.boundaries) if b > a)

    def blocks(self, size: int) -> Iterator[Block]:
        """Blocks of about `size` units: whole lots where lots matter, none across sections."""
        for section, (low, high) in enumerate(zip(self.boundaries[:-1], self.boundaries[1:], strict=True)):
            yield from self.cut(Block(low, high - low, section), size)

    def cut(self, whole: Block, size: int) -> Iterator[Block]:
        """Blocks of about `size` units that make up a larger block."""
        step = size
        if self.frame.by_lot:
            lot = self.frame.grouping.units_per_lot
            step = max(size // lot, 1) * lot
        end = whole.start + whole.count
        for start in range(whole.start, end, step):
            yield Block(start, min(step, end - start), whole.section)


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
    units = outer * per_draw
    lots = per_lot if by_lot else 1
    step = per_draw if outer >= SECTIONS else lots
    pieces = units // step
    starts = tuple(step * (pieces * k // SECTIONS) for k in range(SECTIONS))
    frame = Frame.of(case, Grouping(per_draw, per_lot, starts), outer, by_lot)
    return Plan(frame, (*starts, units))


def default_block(case: Case) -> int:
    """Units in a block such that one array of readings fits the cache."""
    return min(max(VALUES_IN_BLOCK // readings_of_a_unit(case), SMALLEST_BLOCK), LARGEST_BLOCK)


def units_in_chunk(case: Case) -> int:
    """Units in a chunk, the piece of a study that is kept or sent as a whole.

    It follows from the case alone, so that chunks of a study begin and end at the same units however it is cut
    into blocks, and on any number of workers.
    """
    return max(VALUES_IN_CHUNK // readings_of_a_unit(case), SMALLEST_BLOCK)


def together(blocks: Iterable[tuple[Block, Block]], size: int) -> Iterator[list[tuple[Block, Block]]]:
    """Small blocks, each with its chunk, that follow each other up to `size` units: a block has costs of its own."""
    taken: list[tuple[Block, Block]] = []
    for chunk, block in blocks:
        units = sum(b.count for _, b in taken)
        if taken and (units + block.count > size or taken[-1][1].start + taken[-1][1].count != block.start):
            yield taken
            taken = []
        taken.append((chunk, block))
    if taken:
        yield taken
