"""Search for the places where a verdict turns, many at a time, on functions that are nearly monotone.

Every search asks for the bound with its interval at a few coordinates; all that are open are asked together, so that
what is drawn is drawn once. A turning point is bracketed and the bracket narrowed by the Illinois variant of false
position (Dowell and Jarratt, BIT 11, 1971) on probits, by bisection where that does not halve it; a step in the counts
can therefore slow a search, not mislead it.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from scipy.special import ndtri

from margin.estimates.yield_result import Estimate

Curve = Literal["value", "low", "high"]
CURVES: tuple[Curve, ...] = ("value", "low", "high")

Ask = Callable[[Sequence[tuple[int, float]]], Sequence[Estimate | None]]
"""Bounds of searches, by number, at coordinates; None where the chain gives no number."""

ROUNDS = 16
"""Rounds after which a search ends with the bracket that it has."""

INNER = 10.0**-0.5
"""Part of the range that is looked at as well where the verdict is the same at its end: what helps may harm further
out."""

EDGE = 1e-5
"""Shares nearer to 0 or 1 than that count as that near: a probit needs a finite number."""

LEAST_STEP = 0.08
"""Part of a bracket that a step keeps from its ends."""


@dataclass(frozen=True)
class Tolerance:
    """Width of the brackets, relative to the coordinate, of a turning point and of the ends of its interval."""

    value: float
    ends: float
    least: float = 0.004


@dataclass(frozen=True)
class Crossing:
    """Where a verdict turns, as coordinates, and what is known of the bound beside it.

    value      of the lower bound itself
    near, far  where the ends of its interval cross the required yield; None where that is not within [0, end]
    """

    value: float
    near: float | None
    far: float | None


@dataclass
class Search:
    """One search along a coordinate from 0 to `end`.

    points  coordinate -> bound, 0 among them; `end` shrinks where the chain gives no number
    guess   coordinates to begin with; () for the end of the range
    """

    end: float
    target: float
    tolerance: Tolerance
    points: dict[float, Estimate] = field(default_factory=dict)
    guess: tuple[float, ...] = ()
    broken: float | None = None
    asked: int = 0

    def sign(self, u: float, curve: Curve) -> bool:
        """Whether a curve reaches the required yield."""
        return bool(getattr(self.points[u], curve) >= self.target)

    def bracket(self, curve: Curve) -> tuple[float, float] | None:
        """The first pair of neighbouring points between which a curve crosses the required yield."""
        places = sorted(self.points)
        for a, b in itertools.pairwise(places):
            if self.sign(a, curve) != self.sign(b, curve):
                return a, b
        return None

    def wanted(self) -> list[float]:
        """Coordinates to look at next; none where the search is finished."""
        if self.end <= 0.0:
            return []
        if self.asked == 0 and self.guess:
            return sorted({min(max(u, 0.0), self.end) for u in self.guess} - set(self.points))
        if max(self.points) < self.end and self.bracket("value") is None:
            return [self.end]
        main = self.bracket("value")
        if main is None:
            inner = INNER * self.end
            return [] if any(0.0 < u < self.end for u in self.points) else [inner]
        found = []
        for curve in CURVES:
            own = self.bracket(curve)
            if own is None and curve != "value" and max(self.points) < self.end:
                # the far end of the interval lies beyond what has been looked at
                if self.sign(0.0, curve) == self.sign(0.0, "value"):
                    found.append(self.end if self.end <= 2.0 * max(self.points) else 1.5 * max(self.points))
                continue
            if own is not None and not self._narrow(own, curve):
                found.append(self._step(own, curve))
        return sorted(set(found) - set(self.points))

    def _narrow(self, own: tuple[float, float], curve: Curve) -> bool:
        share = self.tolerance.value if curve == "value" else self.tolerance.ends
        return own[1] - own[0] <= max(share * own[1], self.tolerance.least)

    def _step(self, own: tuple[float, float], curve: Curve) -> float:
        a, b = own
        fa, fb = (self._height(u, curve) for u in own)
        # every third step halves the bracket: a curve with a corner would let false position creep
        share = 0.5 if self.asked % 3 == 2 or fa == fb else fa / (fa - fb)
        return a + min(max(share, LEAST_STEP), 1.0 - LEAST_STEP) * (b - a)

    def _height(self, u: float, curve: Curve) -> float:
        value = min(max(getattr(self.points[u], curve), EDGE), 1.0 - EDGE)
        return float(ndtri(value) - ndtri(min(max(self.target, EDGE), 1.0 - EDGE)))

    def take(self, u: float, found: Estimate | None) -> None:
        """Note a bound; where there is none, the range ends half way back to the last number."""
        if found is not None:
            self.points[u] = found
            return
        before = max((p for p in self.points if p < u), default=0.0)
        self.broken = u if self.broken is None else min(u, self.broken)
        self.end = min(self.end, 0.5 * (before + u))
        self.guess = tuple(g for g in self.guess if g < self.end)
        if self.end < self.tolerance.least:
            self.end = 0.0

    @property
    def crossing(self) -> Crossing | None:
        """Where the verdict turns; None where it does not within the range."""
        main = self.bracket("value")
        if main is None:
            return None
        value = self._between(main, "value")
        start = self.sign(0.0, "value")
        # the interval reaches as far as the verdict may still be the other one
        first, last = ("low", "high") if start else ("high", "low")
        near = self._end_of(first, value, start, nearer=True)  # type: ignore[arg-type]
        far = self._end_of(last, value, start, nearer=False)  # type: ignore[arg-type]
        return Crossing(value, near, far)

    def _between(self, own: tuple[float, float], curve: Curve) -> float:
        a, b = own
        fa, fb = (self._height(u, curve) for u in own)
        return a if fa == fb else a + (b - a) * fa / (fa - fb)

    def _end_of(self, curve: Curve, value: float, start: bool, *, nearer: bool) -> float | None:
        """Outer end of the bracket of an end of the interval: the interval is not narrower than its search."""
        own = self.bracket(curve)
        if nearer:
            if self.sign(0.0, curve) != start:
                return None
            return value if own is None else min(own[0], value)
        return None if own is None else max(own[1], value)


def run(searches: Mapping[int, Search], ask: Ask) -> int:
    """Run searches to their ends, all open ones together; the number of bounds that were asked for."""
    count = 0
    for _ in range(ROUNDS):
        open_ones = [(number, u) for number, each in searches.items() for u in each.wanted()]
        if not open_ones:
            break
        for (number, u), found in zip(open_ones, ask(open_ones), strict=True):
            searches[number].take(u, found)
        for number in {number for number, _ in open_ones}:
            searches[number].asked += 1
        count += len(open_ones)
    return count
