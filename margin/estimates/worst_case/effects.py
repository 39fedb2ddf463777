"""The factors behind a verdict: what each does to the error, and which of them explain it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from margin.estimates.worst_case.moments import Moments
from margin.estimates.worst_case.screen import Screen
from margin.estimates.worst_case.search import Found
from margin.estimates.worst_case.variables import Variable
from margin.estimates.worst_case.verdict import COVERAGE, TOLERANCE, Ranges

Array = NDArray[np.float64]

PESSIMISM = "extreme value: as pessimistic as"
"""Beginning of the part of a reason that says how pessimistic the extreme value is."""

SEVERAL = "no single factor: several together, or tails longer than those of a normal distribution"

VANISHES = 0.1
"""A first-order term vanishes where it explains less than this share of what its factor does at its limits."""

MATTERS = 0.1
"""A factor matters where it moves the error by this share of half the width of the draws, or of the extremes."""

CLOSE = 2.8
"""Standard deviations within which a variable's limits make the root sum square at COVERAGE too wide."""

LISTED = 4
"""Most factors that a reason lists."""


@dataclass(frozen=True)
class Effects:
    """What each factor does to the error at one load, N, (factor,): the largest of its variables.

    straight  its first-order term taken to its limits
    alone     change by the factor alone at its limits
    corner    by how much an extreme corner recedes without it
    departure of the change by the factor alone, at its limits, from its first-order term
    overreach share of the first-order variance by variables whose limits lie within CLOSE standard deviations
    """

    names: tuple[str, ...]
    straight: Array
    alone: Array
    corner: Array
    departure: Array
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
        bounded = np.abs(ends).max(axis=0) < CLOSE * sd
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

    def vanishing(self, ranges: Ranges) -> tuple[str, ...]:
        """Factors that matter, alone or in an extreme corner, although their first-order term vanishes."""
        alone = (self.straight < VANISHES * self.alone) & (self.alone > MATTERS * ranges.drawn.half)
        corner = (self.straight < VANISHES * self.corner) & (self.corner > MATTERS * ranges.extreme.half)
        return self._leading(alone | corner, np.maximum(self.alone, self.corner))

    def nonlinear(self, ranges: Ranges) -> tuple[str, ...]:
        """Factors whose first-order term does not vanish, but from which they depart."""
        departs = (self.straight >= VANISHES * self.alone) & (self.departure > TOLERANCE * ranges.drawn.half)
        return self._leading(departs, self.departure)

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


def why(ranges: Ranges, effects: Effects) -> str:
    """The factors behind the verdict, and what makes the extreme value as wide as it is."""
    if ranges.still:
        return ""
    parts = ["first-order terms explain the draws"]
    if not ranges.summed_agrees:
        reasons = [
            ("no first-order term", effects.vanishing(ranges)),
            ("nonlinear within its limits", effects.nonlinear(ranges)),
        ]
        if ranges.rss_over_drawn > 1.0 + TOLERANCE:
            reasons.append((f"limits closer than {COVERAGE:g} standard deviations", effects.cut_short()))
        parts = [f"{what}: {_listed(names)}" for what, names in reasons if names] or [SEVERAL]
    if ranges.extreme_over_drawn > 1.0 + TOLERANCE and effects.alike() > 1:
        parts.append(f"{PESSIMISM} {effects.alike()} equal causes all at their limits")
    return "; ".join(parts)


def _listed(names: tuple[str, ...]) -> str:
    more = len(names) - LISTED
    return ", ".join(names[:LISTED]) + (f" and {more} more" if more > 0 else "")
