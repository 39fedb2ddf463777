"""How a study is cut: outer draws, lots, looks, pieces, sections, blocks."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

from margin.case.types import LEAST_INNER, Case
from margin.propagation.factors import varies_by_lot
from margin.propagation.frame import SECTIONS, Frame
from margin.propagation.grouping import Grouping, Points
from margin.propagation.readings import readings_of_a_unit

VALUES_IN_BLOCK = 1 << 18
"""Readings in a block by default: arrays of 2 MB, which stay in the cache, and outweigh the costs of a block."""

SMALLEST_BLOCK, LARGEST_BLOCK = 64, 8192

VALUES_ALONG_HISTORY, SMALLEST_ALONG_HISTORY = 1 << 21, 8

VALUES_IN_CHUNK = 1 << 22
"""Readings in a chunk: seconds of work, so that little is lost with it and few chunks make a long study."""

CELLS = 4
"""Parts of an outer draw that are counted apart: their scatter is the noise of its yield, measured."""

LOT_UNITS, LOT_UNITS_WITH_CURVE = 8, 16
"""Units drawn of a lot: a matter of sampling, not the lot's size. Many lots with few units each tell a yield best;
where every lot has a curve of its own, each costs its sample units as well."""

LEAST_OUTER = 100
"""Outer draws of a study that does not state them: of fewer than 86, none need lie below the 5 % point."""

FIRST_OUTER, FIRST_UNITS = 400, 20_000
"""Outer draws, and units where there is but one outer draw, at the first look of a growing study."""

PILOT_OUTER, PILOT_INNER = 128, 128
"""Size of the pilot study by which the units of an outer draw are chosen."""


@dataclass(frozen=True)
class Block:
    """Units `start` to `start + count`, all of one section."""

    start: int
    count: int
    section: int


@dataclass(frozen=True)
class Plan:
    """What is drawn: the frame that all blocks share, the pieces, and how many of them each look has drawn.

    boundaries  first unit of each piece, and the end of the last; piece k belongs to section k modulo SECTIONS
    looks       pieces drawn at each look, ascending; the last look draws all
    """

    frame: Frame
    boundaries: tuple[int, ...]
    looks: tuple[int, ...]

    def units_at(self, look: int) -> int:
        """Units drawn by that look and those before it."""
        return self.boundaries[self.looks[look]]

    def pieces(self, look: int | None = None) -> Iterator[Block]:
        """Pieces that a look adds, or all of them."""
        first = 0 if look is None or look == 0 else self.looks[look - 1]
        last = len(self.boundaries) - 1 if look is None else self.looks[look]
        for k in range(first, last):
            low, high = self.boundaries[k], self.boundaries[k + 1]
            yield Block(low, high - low, k % SECTIONS)

    def blocks(self, size: int, look: int | None = None) -> Iterator[Block]:
        """Blocks of about `size` units: whole lots where lots matter, none across pieces."""
        for piece in self.pieces(look):
            yield from self.cut(piece, size)

    def cut(self, whole: Block, size: int) -> Iterator[Block]:
        """Blocks of about `size` units that make up a larger block."""
        step, end = self.whole_lots(size), whole.start + whole.count
        for start in range(whole.start, end, step):
            yield Block(start, min(step, end - start), whole.section)

    def whole_lots(self, size: int) -> int:
        """Units in a block of about `size`: whole lots where lots matter."""
        lot = self.frame.grouping.units_per_lot if self.frame.by_lot else 1
        return max(size // lot, 1) * lot

    def upto(self, look: int) -> Plan:
        """The plan as if it ended with that look."""
        pieces = self.looks[look]
        units = self.boundaries[pieces]
        outer = self.frame.outer if self.frame.outer == 1 else units // self.frame.grouping.units_per_draw
        frame = replace(self.frame, outer=outer, units=units)
        return Plan(frame, self.boundaries[: pieces + 1], self.looks[: look + 1])


def plan_of(case: Case) -> Plan:
    """Plan of a study of fixed size: the units of the case, drawn in one look.

    The number of units is rounded up to whole outer draws, and these to whole cells of whole lots. Where the case
    does not state the outer draws, they follow from the units (see `inner_units`).
    """
    study = case.study
    if not study.nested:
        return _flat(case, (study.units,))
    outer = study.outer
    if outer is None:
        outer = max(-(-study.units // inner_units(case, study.units)), LEAST_OUTER)
    return _nested(case, -(-study.units // outer), (outer,))


def growing_plan(case: Case, inner: int | None = None) -> Plan:
    """Plan of a study that draws on until its verdict is decided: looks that each double what was drawn.

    inner  units in an outer draw
    """
    most = case.study.units
    if not case.study.nested:
        return _flat(case, _doubled(FIRST_UNITS, most))
    per_draw = _whole_cells(case, inner_units(case, most) if inner is None else inner)
    return _nested(case, per_draw, _doubled(FIRST_OUTER, max(most // per_draw, LEAST_OUTER)))


def pilot_plan(case: Case) -> Plan:
    """Plan of a small study by which the units of an outer draw are chosen."""
    return _nested(case, PILOT_INNER, (PILOT_OUTER,))


def inner_units(case: Case, units: int) -> int:
    """Units in an outer draw of a study of so many units: about 0.7 times the root, a power of two.

    The scatter between outer draws falls with their number, the noise within them with its root (Gordy and
    Juneja, 'Nested simulation in portfolio risk measurement', Management Science 56, 2010, give N^(1/3) for the
    least mean squared error without correction; with the bias extrapolated away, noise still has to stay below
    the scatter to be measured).
    """
    return _whole_cells(case, max(1 << round(math.log2(max(0.7 * math.sqrt(units), 1.0))), LEAST_INNER))


def points_of(case: Case) -> Points:
    """How units are sampled: as the case says, but at random within outer draws and lots, whose own scatter is to be
    told from that of their units."""
    return "random" if case.study.nested or varies_by_lot(case) else case.study.points


def lot_units(case: Case) -> int:
    """Units drawn of a lot."""
    curve = any(option.kind == "lot-curve" for option in case.calibrations)
    return min(LOT_UNITS_WITH_CURVE if curve else LOT_UNITS, case.study.units_per_lot)


def _doubled(first: int, most: int) -> tuple[int, ...]:
    sizes = [min(first, most)]
    while sizes[-1] < most:
        # a last step of less than half would hardly move anything: it joins the one before
        sizes.append(most if 3 * sizes[-1] > most else 2 * sizes[-1])
    return tuple(sizes)


def _whole_cells(case: Case, units: int) -> int:
    """Units of an outer draw, rounded up to whole cells of whole lots."""
    least = _cells(units) * (lot_units(case) if varies_by_lot(case) else 1)
    return -(-units // least) * least


def _cells(units: int) -> int:
    """Cells of an outer draw of so many units: too few are not worth being counted apart, and support no bound."""
    return CELLS if units >= LEAST_INNER else 1


def _nested(case: Case, per_draw: int, outers: tuple[int, ...]) -> Plan:
    """Looks at so many outer draws; all that is drawn is random, so that the cells of a draw are independent."""
    by_lot = varies_by_lot(case)
    cells, per_draw = _cells(per_draw), _whole_cells(case, per_draw)
    per_lot = lot_units(case) if by_lot else 1
    boundaries = [0]
    for before, outer in pairwise((0, *outers)):
        added = outer - before
        boundaries += [per_draw * (before + added * k // SECTIONS) for k in range(1, SECTIONS + 1)]
    grouping = Grouping(per_draw, per_lot, (0,), cells)
    frame = Frame.of(case, grouping, outers[-1], by_lot, boundaries[-1])
    return Plan(frame, tuple(boundaries), _looks(len(outers)))


def _flat(case: Case, sizes: tuple[int, ...]) -> Plan:
    """Looks at so many units of one population; sections hold whole lots, two lots in all at least."""
    by_lot = varies_by_lot(case)
    per_lot = lot_units(case) if by_lot else 1
    lots = [max(-(-size // per_lot), 2 if by_lot else 1) for size in sizes]
    boundaries = [0]
    for before, count in pairwise((0, *lots)):
        added = count - before
        boundaries += [per_lot * (before + added * k // SECTIONS) for k in range(1, SECTIONS + 1)]
    units = boundaries[-1]
    grouping = Grouping(units, per_lot, tuple(boundaries[:-1]), 1, points_of(case))
    frame = Frame.of(case, grouping, 1, by_lot, units)
    return Plan(frame, tuple(boundaries), _looks(len(sizes)))


def _looks(count: int) -> tuple[int, ...]:
    return tuple(SECTIONS * k for k in range(1, count + 1))


def default_block(case: Case) -> int:
    """Units in a block such that one array of readings fits the cache; along a load history more, as each step has
    costs of its own."""
    if case.history is not None:
        return min(max(VALUES_ALONG_HISTORY // values_of_a_unit(case), SMALLEST_ALONG_HISTORY), LARGEST_BLOCK)
    return min(max(VALUES_IN_BLOCK // readings_of_a_unit(case), SMALLEST_BLOCK), LARGEST_BLOCK)


def units_in_chunk(case: Case) -> int:
    """Units in a chunk, the piece of a study that is kept or sent as a whole.

    It follows from the case alone, so that chunks of a study begin and end at the same units however it is cut
    into blocks, and on any number of workers.
    """
    return max(VALUES_IN_CHUNK // values_of_a_unit(case), SMALLEST_BLOCK)


def values_of_a_unit(case: Case) -> int:
    """Values that the chain computes for a unit in use: its readings, or every step of a load history."""
    if case.history is None:
        return readings_of_a_unit(case)
    return case.study.conditions * case.study.loadings * len(case.history.loads)


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
