"""A number with its interval, a yield with its lower bound, and the verdict that follows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

Verdict = Literal["conforms", "does not conform", "undecided"]


def conforms_by(verdict: Verdict) -> bool | None:
    """Whether something conforms, by its verdict; None where that is undecided.

    >>> conforms_by("conforms"), conforms_by("does not conform"), conforms_by("undecided")
    (True, False, None)
    """
    return None if verdict == "undecided" else verdict == "conforms"


@dataclass(frozen=True)
class Estimate:
    """A number with its interval at the study's confidence level."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Yield:
    """A share of production that conforms.

    sampled    with the interval that the finite number of draws leaves
    knowledge  lower bound and 95 % point over the outer draws (`common`, `station`); None where nothing varies there
    lots       5 % and 95 % points over lots; None where nothing varies from lot to lot
    known_low  the 5 % point of `knowledge` with the interval that the finite number of draws leaves to it
    sure_low   where all is known: lower end of the yield that errs half as often as that of `sampled`, since
               'conforms' is not to be said in error
    """

    sampled: Estimate
    knowledge: tuple[float, float] | None
    lots: tuple[float, float] | None = None
    known_low: Estimate | None = None
    sure_low: float | None = None

    @property
    def bound(self) -> Estimate:
        """The lower bound with its interval: the 5 % point over the outer draws, or the yield without any.

        Where few units a draw carry the value of the point beyond the yield, which its interval holds, the value is the
        yield: of two numbers that the draws do not tell apart the lower one is a bound. The interval, which decides, is
        that of the point.
        """
        if self.known_low is not None:
            return replace(self.known_low, value=self.sampled.value) if self.overshoots else self.known_low
        low = self.sampled.low if self.sure_low is None else self.sure_low
        return Estimate(self.sampled.value, low, self.sampled.high)

    @property
    def overshoots(self) -> bool:
        """Whether the 5 % point comes out above the yield by the noise of its estimate alone."""
        known = self.known_low
        return known is not None and known.low <= self.sampled.value < known.value

    @property
    def lower_bound(self) -> float:
        """Value of the lower bound."""
        return self.bound.value

    def verdict(self, target: float) -> Verdict:
        """What the interval of the lower bound says of a yield to be reached."""
        if self.bound.low >= target:
            return "conforms"
        return "does not conform" if self.bound.high < target else "undecided"


def nearest_option(yields: Mapping[str, Yield]) -> str:
    """The option that comes nearest to a requirement that none is shown to reach.

    That of the highest lower bound; among those whose bounds the draws do not tell apart from it, that of the highest
    yield.
    """
    best = max(found.lower_bound for found in yields.values())
    alike = [name for name, found in yields.items() if found.bound.high >= best]
    return max(alike, key=lambda name: yields[name].sampled.value)
