"""How pessimistic or blind extreme value and root sum square are against the draws, and which factors make it
so."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from margin.estimates.worst_case.moments import Moments
from margin.estimates.worst_case.screen import Screen
from margin.estimates.worst_case.search import Found
from margin.estimates.worst_case.variables import Variable

Array = NDArray[np.float64]

COVERAGE = 3.0
"""Factor of the root sum square, to compare with the 0.135 % and 99.865 % points of the draws."""

AGREE = "the three agree in kind"
NOTHING = "nothing varies"
NO_FIRST_ORDER = (
    "root sum square too narrow: an effect without first-order term (overlap, tilt, stop, clipping)"
)
BENT = "root sum square too narrow: effects bend within their limits"
TOO_WIDE = "root sum square too wide: limits or clipping cut what it adds up"
OFF_CENTRE = "root sum square off centre: one-sided effects"

SEVERAL = "no factor alone: several together, or tails longer than their standard deviations tell"

APART = 0.2
"""Ratio to the draws less 1 (and distance of the centres, in half widths) from which ways differ."""

VANISHES = 0.1
"""A first-order term vanishes where it explains less than this share of what its factor does at its limits."""

MATTERS = 0.1
"""A factor matters where it moves the error by this share of half the width of the draws, or of the extremes."""

NAMED = 4
"""Most factors that a reason names."""


@dataclass(frozen=True)
class Widths:
    """Half width and centre of the ranges of the three ways at one load, N."""

    drawn: float
    drawn_centre: float
    summed: float
    summed_centre: float
    extreme: float

    @property
    def summed_over_drawn(self) -> float:
        return ratio(self.summed, self.drawn)

    @property
    def extreme_over_drawn(self) -> float:
        return ratio(self.extreme, self.drawn)


def ratio(width: float, drawn: float) -> float:
    """Half width relative to that of the draws: 1 where nothing varies, infinite where only the draws do not."""
    if drawn > 0.0:
        return width / drawn
    return math.inf if width > 0.0 else 1.0


@dataclass(frozen=True)
class Effects:
    """What each factor does to the error at one load, N, (factor,): the largest of its variables.

    straight  its first-order term taken to its limits
    alone     change by the factor alone at its limits
    corner    by how much an extreme corner recedes without it
    bend      departure of the factor alone, at its limits, from its first-order term
    overreach share of the first-order variance by variables whose limits lie within COVERAGE standard deviations
    """

    names: tuple[str, ...]
    straight: Array
    alone: Array
    corner: Array
    bend: Array
    overreach: Array

    @classmethod
    def of(
        cls, variables: tuple[Variable, ...], moved: Moments, screened: Screen, found: Found, load: int
    ) -> Effects:
        """Effects at the load of that index under one condition of use."""
        ends = np.array([[v.low - v.centre for v in variables], [v.high - v.centre for v in variables]])
        sd, first = np.array([v.sd for v in variables]), moved.first[:, load]
        linear = np.where(moved.switching, np.sign(ends), ends / sd) * first
        alone = screened.alone[:, :, load]
        bounded = np.abs(ends).max(axis=0) < (COVERAGE - APART) * sd
        share = bounded * first**2 / max(float(np.sum(first**2)), np.finfo(float).tiny)
        names = tuple(dict.fromkeys(v.factor.name for v in variables))
        row = np.array([names.index(v.factor.name) for v in variables], dtype=np.int64)

        def largest(values: Array) -> Array:
            by_factor = np.zeros(len(names))
            np.maximum.at(by_factor, row, np.abs(values).max(axis=0))
            return by_factor

        return cls(
            names,
            largest(linear),
            largest(alone),
            largest(found.change[:, load]),
            largest(np.where(moved.switching, 0.0, alone - linear)),
            np.bincount(row, share, len(names)).astype(np.float64),
        )

    def vanishing(self, widths: Widths) -> tuple[str, ...]:
        """Factors that matter, alone or in an extreme corner, although their first-order term vanishes."""
        alone = (self.straight < VANISHES * self.alone) & (self.alone > MATTERS * widths.drawn)
        corner = (self.straight < VANISHES * self.corner) & (self.corner > MATTERS * widths.extreme)
        return self._leading(alone | corner, np.maximum(self.alone, self.corner))

    def bent(self, widths: Widths) -> tuple[str, ...]:
        """Factors with a first-order term from which they depart."""
        bends = (self.straight >= VANISHES * self.alone) & (self.bend > APART * widths.drawn)
        return self._leading(bends, self.bend)

    def cut_short(self) -> tuple[str, ...]:
        """Factors of weight whose limits lie closer than COVERAGE standard deviations."""
        return self._leading(self.overreach > MATTERS, self.overreach)

    def alike(self) -> int:
        """Number of causes of one size with the same sum and the same sum of squares as those of the corners."""
        squares = float(np.sum(self.corner**2))
        return round(float(np.sum(self.corner)) ** 2 / squares) if squares > 0.0 else 0

    def _leading(self, chosen: NDArray[np.bool_], size: Array) -> tuple[str, ...]:
        order = np.argsort(-np.where(chosen, size, -1.0), kind="stable")
        return tuple(self.names[i] for i in order[: int(chosen.sum())])


def verdict(widths: Widths, effects: Effects) -> str:
    """What root sum square makes of the draws' range: compare the half widths and centres."""
    if widths.drawn <= 0.0:
        return NOTHING
    if widths.summed_over_drawn < 1.0 - APART:
        return NO_FIRST_ORDER if effects.vanishing(widths) else BENT
    if widths.summed_over_drawn > 1.0 + APART:
        return TOO_WIDE
    if abs(widths.drawn_centre - widths.summed_centre) > APART * widths.drawn:
        return OFF_CENTRE
    return AGREE


def why(widths: Widths, effects: Effects) -> str:
    """The factors behind the verdict, and what makes the extreme value as wide as it is."""
    if widths.drawn <= 0.0:
        return ""
    reasons = [
        ("no first-order term", effects.vanishing(widths)),
        ("bent within its limits", effects.bent(widths)),
    ]
    if widths.summed_over_drawn > 1.0 + APART:
        reasons.append((f"limits closer than {COVERAGE:g} standard deviations", effects.cut_short()))
    parts = [f"{what}: {_listed(names)}" for what, names in reasons if names]
    if not parts:
        agree = verdict(widths, effects) == AGREE
        parts = ["first-order terms explain the draws" if agree else SEVERAL]
    if widths.extreme_over_drawn > 1.0 + APART and effects.alike() > 1:
        parts.append(f"extreme value: as if {effects.alike()} equal causes were at their worst at once")
    return "; ".join(parts)


def _listed(names: tuple[str, ...]) -> str:
    more = len(names) - NAMED
    return ", ".join(names[:NAMED]) + (f" and {more} more" if more > 0 else "")
