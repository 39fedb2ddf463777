"""Spreads that can be moved without drawing again, in the order of the budget, and why the others cannot."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd

from distributions import Distribution, Normal, Rectangular
from margin.estimates.budget_causes import Cause, causes_of
from margin.propagation.factors import Factor
from margin.propagation.model import Model
from margin.propagation.points_source import Column, columns_of

MOST = 12
"""Spreads offered."""

MOST_INTERPOLATED = 2
"""Of these, spreads drawn so often in a unit that their effect is computed at three sizes and interpolated."""

FEW_DRAWS = 2
"""Draws in a unit up to which weights carry: the weight of a unit is a product over its draws."""

WIDE_SHARES = (0.3, 0.3, 0.2, 0.2)
"""Share of the units in which a leading spread is drawn wider."""

WIDE_SHARE = 0.07
"""The same for all others."""

WIDE_SHARE_OF_LIMITS = (0.15, 0.3)
"""At least so much for a rectangular spread, of one and of two draws: beyond its limits it has no other draws."""

EXTREME = 1e-7
"""Probability beyond the ends of a density without ends."""

LARGEST_GROUP = 3
"""Factors of one group, measured together, that are moved."""

How = Literal["weights", "interpolated"]


@dataclass(frozen=True)
class Movable:
    """A spread that can be moved.

    name     as in the budget; factors: those that move together
    how      'weights': importance weights of its draws; 'interpolated': units computed at half and twice the spread
    outer    whether one draw holds for all units of an outer draw
    shape    of the draws that are weighted
    size     standard deviation, or half width of a rectangular spread, in the unit of its deviation; of a draw that
             scales a quantity 1
    draws    in a unit
    share    of the units in which it is drawn wider (see `wider`)
    """

    name: str
    factors: tuple[Factor, ...]
    how: How
    outer: bool
    shape: Literal["normal", "rectangular", "other"]
    size: float
    draws: int
    share: float = 0.0

    @property
    def can_shift(self) -> bool:
        """Whether its mean can be moved: that of a draw that scales a quantity is fixed."""
        return self.how == "weights" and not self.factors[0].standardised


@dataclass(frozen=True)
class Unmovable:
    """A spread that needs another run, and why."""

    name: str
    why: str


def movable_spreads(
    model: Model, budget: pd.DataFrame | None = None, most: int = MOST
) -> tuple[tuple[Movable, ...], tuple[Unmovable, ...]]:
    """The leading spreads that can be moved, at most so many, and those before and behind them that cannot.

    budget  of the case (see `Results.budget`), whose ranks set the order; None: the order of the chain
    """
    columns: dict[str, list[Column]] = {}
    for column in columns_of(model):
        if column.factor is not None:
            columns.setdefault(column.factor.name, []).append(column)
    causes = [c for c in causes_of(model.factors, "factor", model.groups) if c.keys]
    place = _ranks(budget)
    causes.sort(key=lambda cause: place.get(cause.name, len(place)))
    found: list[Movable] = []
    left: list[Unmovable] = []
    for cause in _mates_together(model, causes):
        one = _movable(model, cause, columns)
        if isinstance(one, Movable) and len(found) >= most and not _has_mate(model, one, found):
            one = Unmovable(cause.name, f"not among the {most} leading spreads")
        interpolated = sum(each.how == "interpolated" for each in found)
        if isinstance(one, Movable) and one.how == "interpolated" and interpolated >= MOST_INTERPOLATED:
            one = Unmovable(cause.name, f"{one.draws} draws in a unit")
        if isinstance(one, Movable):
            weighted = sum(each.how == "weights" for each in found)
            share = WIDE_SHARES[weighted] if weighted < len(WIDE_SHARES) else WIDE_SHARE
            if one.how == "interpolated":
                share = 0.0
            elif one.shape != "normal":
                share = max(share, WIDE_SHARE_OF_LIMITS[one.draws - 1])
            found.append(replace(one, share=share))
        else:
            left.append(one)
    return tuple(found), tuple(left)


def _mates_together(model: Model, causes: Sequence[Cause]) -> list[Cause]:
    """The same order, but spreads measured together follow each other: their density is one."""
    group_of = {name: group.names for group in model.groups for name in group.names}
    found: dict[str, Cause] = {}
    for cause in causes:
        names = group_of.get(cause.keys[0], cause.keys)
        for other in (cause, *(c for c in causes if set(c.keys) & set(names))):
            found.setdefault(other.name, other)
    return list(found.values())


def _has_mate(model: Model, one: Movable, found: Sequence[Movable]) -> bool:
    """Whether a spread that was measured together with this one is movable already."""
    names = {name for g in model.groups if one.factors[0].name in g.names for name in g.names}
    return any(each.factors[0].name in names for each in found)


def _ranks(budget: pd.DataFrame | None) -> Mapping[str, int]:
    """Place of each spread: by its best rank among the options where it is halved, then by the change of the error."""
    if budget is None or budget.empty:
        return {}
    rows = budget[(budget["by"] == "factor") & (budget["change"] == "halved")]
    rows = rows.assign(moved=rows["error_change_N"].abs())
    best = rows.groupby("factor").agg(rank=("rank", "min"), moved=("moved", "max"))
    names = best.sort_values(["rank", "moved"], ascending=[True, False], kind="stable").index
    return {str(name): place for place, name in enumerate(names)}


def _movable(model: Model, cause: Cause, columns: Mapping[str, Sequence[Column]]) -> Movable | Unmovable:
    factors = _together(model, tuple(f for f in model.factors if f.name in cause.keys))
    draws = max((sum(c.many for c in columns.get(f.name, ())) for f in factors), default=0)
    if draws == 0:
        return Unmovable(cause.name, "without effect")
    why = next(_reasons(model, factors), None)
    if why is not None:
        return Unmovable(cause.name, why)
    first = factors[0]
    shape: Literal["normal", "rectangular", "other"] = (
        "normal"
        if isinstance(first.distribution, Normal)
        else "rectangular"
        if isinstance(first.distribution, Rectangular)
        else "other"
    )
    size = 1.0 if first.standardised else _size(first)
    uniform = first.standardised and shape == "rectangular"
    how: How = "weights" if draws <= FEW_DRAWS and not uniform else "interpolated"
    if how == "interpolated" and first.standardised and first.scales is None:
        return Unmovable(cause.name, "no quantity of the case sets its size")
    outer = first.level in ("common", "station")
    if outer and not model.case.study.nested:
        return Unmovable(cause.name, "one draw for all units of the study")
    return Movable(cause.name, factors, how, outer, shape, size, draws)


def _together(model: Model, factors: tuple[Factor, ...]) -> tuple[Factor, ...]:
    """Factors of a cause; for a draw that scales a quantity, all draws that scale it: moving that moves each."""
    first = factors[0]
    if first.scales is None:
        return factors
    return tuple(f for f in model.factors if (f.role, f.scales) == (first.role, first.scales))


def has_density(distribution: Distribution) -> bool:
    """Whether a distribution has a finite density everywhere between its extreme quantiles."""
    if distribution.atoms.size:
        return False
    try:
        low, high = ends_of(distribution)
        density = distribution.pdf(np.linspace(low, high, 65))
    except (ValueError, NotImplementedError):
        return False
    return bool(np.isfinite(density).all() and high > low)


def ends_of(distribution: Distribution) -> tuple[float, float]:
    """Ends of the support, extreme quantiles where it has none."""
    found = distribution.ppf(np.array([EXTREME, 1.0 - EXTREME]))
    return tuple(  # type: ignore[return-value]
        float(end if np.isfinite(end) else quantile)
        for end, quantile in zip(distribution.support, found, strict=True)
    )


def _size(factor: Factor) -> float:
    low, high = factor.distribution.support
    if isinstance(factor.distribution, Rectangular):
        return float(0.5 * (high - low))
    return float(factor.distribution.sd)


def _reasons(model: Model, factors: Sequence[Factor]) -> Iterator[str]:
    """Why a spread cannot be moved."""
    first = factors[0]
    if any(not has_density(f.distribution) for f in factors):
        yield f"{first.distribution.title} distribution"
    if len(factors) > 1 and not all(f.standardised for f in factors):
        yield "drawn together with another spread"
    if any((type(f.distribution), f.level) != (type(first.distribution), first.level) for f in factors):
        yield "one quantity sets the size of unlike draws"
    for group in model.groups:
        if any(f.name in group.names for f in factors):
            if group.measured_on is None:
                yield "correlated with another spread"
            elif len(group.names) > LARGEST_GROUP:
                yield f"measured together with {len(group.names) - 1} others"
            elif not np.all(np.diag(group.root) > 0.0):
                yield "tied to another spread"
    if first.measured_on is not None and not isinstance(first.distribution, Normal):
        yield "measured on few units, and not normal"
