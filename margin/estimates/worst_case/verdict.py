"""How root sum square and extreme value compare with the draws, from the three ranges alone."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

COVERAGE = 3.0
"""Factor of the root sum square, to compare with the 0.135 % and 99.865 % points of the draws."""

TOLERANCE = 0.2
"""Distance, in half widths of the Monte Carlo range, by which an end of a root sum square may miss the end of that
range."""

SHORT = 0.1
"""Distance, in half widths of the Monte Carlo range, by which an extreme value may fall short of it: what the 0.135 %
point of some thousand readings scatters. Beyond, the search has failed."""

FLAT = 1e-12
"""Half width, relative to the largest end of all ranges, below which a range has none."""

Fit = Literal["agrees", "too narrow", "too wide", "off centre", "outside the Monte Carlo range"]

AGREE = "the three methods agree"
NOTHING = "nothing varies"
BELOW_ROUNDING = (
    "neither draws nor extreme values vary: root sum square is the converter's rounding, or effects below it"
)
RARE = "Monte Carlo range of zero width, although the extreme values differ: effects rarer than 0.27 % of the readings"
SEARCH_FAILED = "extreme value narrower than the Monte Carlo range: the search has missed a corner"


@dataclass(frozen=True)
class Range:
    """Ends of a range of the force error, N."""

    low: float
    high: float

    @classmethod
    def about(cls, centre: float, half: float) -> Range:
        """Range of a centre and a half width, N."""
        return cls(centre - half, centre + half)

    @property
    def half(self) -> float:
        return 0.5 * (self.high - self.low)

    @property
    def centre(self) -> float:
        return 0.5 * (self.low + self.high)


@dataclass(frozen=True)
class Ranges:
    """The ranges at one load: draws (Monte Carlo), root sum square of first and with second order, extreme values."""

    drawn: Range
    first: Range
    second: Range
    extreme: Range

    @property
    def rss_over_drawn(self) -> float:
        """Half width of the root sum square of first order over that of the draws."""
        return self._over_drawn(self.first)

    @property
    def extreme_over_drawn(self) -> float:
        """Half width of the extreme values over that of the draws."""
        return self._over_drawn(self.extreme)

    @property
    def still(self) -> bool:
        """Whether the draws do not vary."""
        return self._flat(self.drawn)

    def _over_drawn(self, found: Range) -> float:
        """Ratio of half widths: 1 where nothing varies, infinite where only the draws do not."""
        if self.still:
            return 1.0 if self._flat(found) else math.inf
        return found.half / self.drawn.half

    def _flat(self, found: Range) -> bool:
        ends = (self.drawn, self.first, self.second, self.extreme)
        largest = max(max(abs(r.low), abs(r.high)) for r in ends)
        return found.half <= FLAT * largest

    @property
    def summed_agrees(self) -> bool:
        """Whether both root sum squares describe the draws, which vary."""
        return fit(self.first, self.drawn) == fit(self.second, self.drawn) == "agrees"

    def verdict(self) -> str:
        """What the other methods make of the draws' range, in words.

        AGREE only where both ends of both root sum squares lie within TOLERANCE of those of the draws, and neither
        extreme value falls short of the draws by more than SHORT.
        """
        if self.still:
            if not self._flat(self.extreme):
                return RARE
            return NOTHING if self._flat(self.first) and self._flat(self.second) else BELOW_ROUNDING
        first, second = fit(self.first, self.drawn), fit(self.second, self.drawn)
        found = [SEARCH_FAILED] if self._short() else []
        if first == second != "agrees":
            found.append(f"root sum square {first}, with second order as well")
        elif first != "agrees":
            also = "it agrees" if second == "agrees" else second
            found.append(f"root sum square {first}; with second order {also}")
        elif second != "agrees":
            found.append(f"root sum square with second order {second}; with first order alone it agrees")
        return "; ".join(found) or AGREE

    def _short(self) -> bool:
        missing = max(self.extreme.low - self.drawn.low, self.drawn.high - self.extreme.high)
        return missing > SHORT * self.drawn.half


def fit(summed: Range, drawn: Range) -> Fit:
    """How a root sum square describes the range of draws that vary.

    'agrees' where neither end misses by more than TOLERANCE half widths of the draws; 'outside the Monte Carlo range'
    where a gap of more than that separates the two. Else by the half widths if these differ by more than TOLERANCE,
    and by what makes up most of the miss if they do not.
    """
    allowed = TOLERANCE * drawn.half
    if max(abs(summed.low - drawn.low), abs(summed.high - drawn.high)) <= allowed:
        return "agrees"
    if max(summed.low - drawn.high, drawn.low - summed.high) > allowed:
        return "outside the Monte Carlo range"
    wider, aside = summed.half - drawn.half, abs(summed.centre - drawn.centre)
    if abs(wider) <= allowed and aside >= abs(wider):
        return "off centre"
    return "too wide" if wider > 0.0 else "too narrow"
