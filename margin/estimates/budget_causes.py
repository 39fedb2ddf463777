"""Lines of an error budget: factors, sampling uncertainty and groups of them, and the changes made to each."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from margin.estimates.labels import FEW_UNITS, budget_name, cause_of
from margin.estimates.part_grades import grades_of
from margin.estimates.sensitivity.grouping import By
from margin.propagation.dependence import DependentGroup
from margin.propagation.factors import Factor

CHANGES: dict[str, float] = {"frozen": 0.0, "halved": 0.5, "doubled": 2.0}
TIGHTER, LOOSER = "one grade tighter", "one grade looser"
FIRST_CHANGES = ("frozen", "halved")
EVERY_CHANGE = (*CHANGES, TIGHTER, LOOSER)


@dataclass(frozen=True)
class Cause:
    """Subject of a budget line: a factor, its sampling uncertainty, or a group of them.

    by     'factor', 'part', 'level' or 'cause'
    keys   names of the factors that are scaled
    known  names of sampling uncertainties, scaled too, but never up: fewer units measured are no tolerance
    grades scale of the spread one part grade tighter and one looser; None where it comes in no grades
    """

    by: By
    name: str
    part: str
    level: str
    keys: tuple[str, ...]
    known: tuple[str, ...] = ()
    grades: tuple[float, float] | None = None

    def scales(self, change: str) -> dict[str, float]:
        """Multiplier of each spread under a change; empty where it does not apply."""
        if change in (TIGHTER, LOOSER):
            return {} if self.grades is None else dict.fromkeys(self.keys, self.grades[change == LOOSER])
        scale = CHANGES[change]
        return dict.fromkeys(self.keys if scale > 1.0 else (*self.keys, *self.known), scale)


@dataclass(frozen=True)
class _Member:
    factor: str
    part: str
    level: str
    cause: str
    keys: tuple[str, ...]
    known: tuple[str, ...]
    grades: tuple[float, float] | None


def causes_of(
    factors: tuple[Factor, ...], by: By = "factor", groups: tuple[DependentGroup, ...] = ()
) -> tuple[Cause, ...]:
    """Causes in the order of the chain.

    groups  factors that are drawn together: those tied by a rank correlation of 1 or -1 are one draw, and one cause
            'a + b'

    Draws that scale one quantity (an offset along x and y) are one cause. Which branch a load comes from is no
    tolerance and has no line. A spread is changed in use and at the calibration alike, so that one line 'reloading'
    stands here for what shares of the variance list as 'reloading' and 'reloading at the calibration'.
    """
    members = tuple(_members(factors))
    if by == "factor":
        lines: dict[str, Cause] = {}
        for m in members:
            lines.setdefault(m.factor, Cause(by, m.factor, m.part, m.level, m.keys, m.known, m.grades))
        return _one_draw(tuple(lines.values()), groups)
    grouped: dict[str, list[_Member]] = {}
    for m in members:
        grouped.setdefault(str(getattr(m, by)), []).append(m)
    return tuple(
        Cause(
            by,
            name,
            name if by == "part" else "",
            name if by == "level" else "",
            tuple(key for m in of for key in m.keys),
            tuple(key for m in of for key in m.known),
        )
        for name, of in grouped.items()
    )


def _one_draw(causes: tuple[Cause, ...], groups: tuple[DependentGroup, ...]) -> tuple[Cause, ...]:
    """Causes by factor, those of one draw joined at the place of the first."""
    found = list(causes)
    for group in groups:
        for i, j, _ in group.one_draw:
            one, two = (next(c for c in found if group.names[k] in c.keys) for k in (i, j))
            if one is two:
                continue
            joined = Cause(
                one.by,
                f"{one.name} + {two.name}",
                " + ".join(dict.fromkeys((*one.part.split(" + "), *two.part.split(" + ")))),
                one.level,
                (*one.keys, *two.keys),
                (*one.known, *two.known),
                one.grades if one.grades == two.grades else None,
            )
            found = [joined if c is one else c for c in found if c is not two]
    return tuple(found)


def _members(factors: tuple[Factor, ...]) -> Iterator[_Member]:
    for factor in factors:
        if factor.quantity == "use.direction_draw":
            continue
        name = budget_name(factor)
        yield _Member(
            name, factor.role, factor.level, cause_of(factor), (factor.name,), (), grades_of(factor)
        )
        if factor.measured_on is not None:
            known = factor.knowledge_name
            yield _Member(known, factor.role, "common", FEW_UNITS, (), (known,), None)
