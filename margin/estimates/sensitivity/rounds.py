"""Rounds of a redrawn study: units are added until the leading effects are precise enough."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from margin.estimates.sensitivity.effects import Effects, effects_of
from margin.estimates.sensitivity.interval import check_level
from margin.estimates.sensitivity.redraw_sums import Outputs, Piece, RedrawSums, pieces

REPLICATES = 32
"""Of which the scatter gives the intervals: at 31 degrees of freedom they are 4 % wider than at infinitely many."""

FIRST_UNITS = 16
"""Units of a replicate in the first round, at most."""

LEADING = 10
"""Groups, by total effect, whose intervals decide whether units are added."""

PIECES, LEAST_PIECE = 8, 256
"""Pieces of a round, so that several workers have some, and fewest units of one that is worth its costs."""

Work = Callable[[Piece], RedrawSums]
Mapped = Callable[[Work, Iterator[Piece]], Iterable[RedrawSums]]
"""Maps work over pieces, giving results in their order."""


@dataclass(frozen=True)
class Study:
    """What is evaluated, and how precisely it is wanted.

    groups, outputs  names
    runs             most evaluations of a unit: every unit is evaluated once for each matrix
    width            full width of an interval that is narrow enough
    deciding         places of the outputs whose effects must be precise; empty: all
    failing, shares  see `effects_of`
    largest          units in a piece, at most
    """

    groups: tuple[str, ...]
    outputs: tuple[str, ...]
    runs: int
    width: float = 0.05
    deciding: tuple[int, ...] = ()
    failing: tuple[int, ...] = ()
    shares: bool = False
    second_order: bool = False
    level: float = 0.95
    largest: int = 4096

    @property
    def matrices(self) -> int:
        """Evaluations of each unit."""
        return 2 + len(self.groups) * (2 if self.second_order else 1)

    @property
    def least(self) -> int:
        """Evaluations of the smallest study: one unit for every replicate."""
        return REPLICATES * self.matrices

    @property
    def units(self) -> int:
        """Units of the last round."""
        return REPLICATES * (self.runs // self.least)

    def rounds(self) -> list[int]:
        """Units of a replicate at the end of each round: about doubling, within the budget at the end."""
        most = self.runs // self.least
        found = [most]
        while found[0] > FIRST_UNITS:
            found.insert(0, found[0] // 2)
        return found


@dataclass(frozen=True)
class Refined:
    """Effects when rounds ended.

    runs        evaluations spent
    widest      of the intervals that decide
    stopped_by  'width': narrow enough; 'budget': another round would exceed it
    more        evaluations that would still be needed, widths falling with the root of the units; two digits
    """

    effects: Effects
    runs: int
    widest: float
    stopped_by: Literal["width", "budget"]
    more: int


def refine(study: Study, evaluate: Outputs, mapped: Mapped = map) -> Refined:
    """Effects from rounds of units that double until intervals are narrow enough or the budget is spent.

    Where no unit of a failing output fails, or every one does, the budget is spent in search of another.

    Pieces follow from the study alone and are added in their order: the result is the same to the bit however
    `mapped` spreads them. Raises ValueError for a width that is not positive, a level outside (0, 1) and a budget
    below the smallest study.
    """
    if not study.width > 0.0:
        raise ValueError(f"width is {study.width}; give the full width of an interval to reach, such as 0.05")
    check_level(study.level)
    if study.runs < study.least:
        raise ValueError(
            f"a budget of {study.runs} units is too small: {len(study.groups)} groups need {study.least} at least. "
            "Raise the budget or form larger groups"
        )
    sums = RedrawSums.empty(
        REPLICATES, len(study.groups), len(study.outputs), second_order=study.second_order
    )

    def work(piece: Piece) -> RedrawSums:
        matrices = evaluate(piece.start, piece.count)
        return RedrawSums.of(matrices, piece.replicates, len(study.groups), second_order=study.second_order)

    drawn = 0
    for units in study.rounds():
        added = units - drawn
        parts = max(min(REPLICATES * added // LEAST_PIECE, PIECES), 1)
        size = min(study.largest, -(-REPLICATES * added // parts))
        cut = list(pieces(REPLICATES * drawn, added, REPLICATES, size))
        for piece, part in zip(cut, mapped(work, iter(cut)), strict=True):
            sums.add(piece.first, part)
        drawn = units
        effects = effects_of(
            sums, study.groups, study.outputs, failing=study.failing, shares=study.shares, level=study.level
        )
        widest = widest_of(effects, study.deciding)
        # an output of which no unit failed yet says nothing: the search for one goes on
        if widest <= study.width and effects.reasons.keys().isdisjoint(study.failing):
            break
    runs = REPLICATES * drawn * study.matrices
    narrow = widest <= study.width
    return Refined(
        effects,
        runs,
        widest,
        "width" if narrow else "budget",
        0 if narrow else _more(runs, widest / study.width),
    )


def widest_of(effects: Effects, deciding: tuple[int, ...] = ()) -> float:
    """Width of the widest interval of the leading groups of each deciding output; 0 where none has effects."""
    found = 0.0
    for place in deciding or range(len(effects.outputs)):
        if place in effects.reasons:
            continue
        leading = np.argsort(-effects.total.value[:, place], kind="stable")[:LEADING]
        for each in (effects.main, effects.total):
            found = max(found, float(each.width[leading, place].max()))
    return found


def _more(runs: int, ratio: float) -> int:
    wanted = runs * (ratio**2 - 1.0)
    digit = 10.0 ** (math.floor(math.log10(wanted)) - 1)
    return int(math.ceil(wanted / digit) * digit)
