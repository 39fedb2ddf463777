"""What a case assumes that is no number, or none that acts."""

from __future__ import annotations

from collections.abc import Sequence

from margin.case.types import Case
from margin.design.overturning.moves import Move
from margin.design.overturning.result import LeftOut
from margin.propagation.factors import Factor, factors_of


def left_out(case: Case, moves: Sequence[Move]) -> list[LeftOut]:
    """Assumptions of a case that no move stands for, and why."""
    moved = {(m.quantity, m.level) for m in moves if m.place is not None}
    drawn = factors_of(case)
    found = []
    for each in case.assumptions:
        if each.quantity is None:
            found.append(LeftOut(each.text, "a statement or a choice, not a number"))
        elif (each.quantity, each.level) not in moved:
            found.append(LeftOut(each.text, _why_not(each.quantity, drawn)))
    return found


def _why_not(quantity: str, drawn: Sequence[Factor]) -> str:
    if not any(f.name.startswith(quantity) for f in drawn):
        return "replaced by every named condition of use"
    return "its spread has no width"
