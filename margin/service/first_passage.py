"""First time at which units no longer conform, from verdicts at a grid of ages.

A unit that conforms at one age and no longer at the next failed in between (interval-censored); one that conforms at
the last age has a life beyond it (right-censored). A unit that conforms again later has failed all the same: the first
passage counts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from distributions.errors import InvalidArgument
from margin.service.life_fits import LifeFit, Lives, Shape, fit_life

Array = NDArray[np.float64]
Counts = NDArray[np.int64]

MOST_EARLY = 0.5
"""Share failed by the first age above which that age is too late to tell the distribution."""

SHAPES: tuple[Shape, ...] = ("Weibull", "lognormal")


def first_failures(conforming: NDArray[np.bool_]) -> Counts:
    """Units by the first age at which they do not conform, (age + 1,); the last entry: those that always do.

    conforming  (age, unit)

    >>> first_failures(np.array([[True, True, False], [True, False, True]])).tolist()
    [1, 1, 1]
    """
    ages = conforming.shape[0]
    first = np.where(conforming.all(axis=0), ages, np.argmin(conforming, axis=0))
    return np.bincount(first, minlength=ages + 1)


@dataclass(frozen=True)
class Passages:
    """Units by the first age at which they do not conform.

    ages   (age,) h, ascending, the first 0
    first  (age + 1,) units; entry 0: not conforming when new; the last: conforming at all ages
    """

    ages: Array
    first: Counts

    @property
    def units(self) -> int:
        """Units followed."""
        return int(self.first.sum())

    @property
    def new_bad(self) -> int:
        """Units that do not conform when new."""
        return int(self.first[0])

    @property
    def aged_out(self) -> int:
        """Units that conform when new and fail by the last age."""
        return int(self.first[1:-1].sum())

    @property
    def failed(self) -> Array:
        """Share failed by each age, (age,), of the units that conform when new; NaN where none does."""
        sound = self.units - self.new_bad
        if sound == 0:
            return np.full(self.ages.size, np.nan)
        return np.concatenate([[0.0], np.cumsum(self.first[1:-1])]) / sound

    def lives(self) -> Lives:
        """Times to first non-conformity of the units that conform when new. InvalidArgument for fewer than two."""
        low = self.ages
        high = np.append(self.ages[1:], np.inf)
        return Lives(low, high, self.first[1:].astype(np.float64))


@dataclass(frozen=True)
class PassageFits:
    """Distributions fitted to times to first non-conformity.

    fits  the one that follows the data better first; none where `reason` says why
    """

    fits: tuple[LifeFit, ...]
    reason: str = ""

    def departure(self, fit: LifeFit, passages: Passages) -> float:
        """Largest difference of the share failed between a fit and the units, over the ages."""
        fitted = [1.0 - fit.reliability(float(age)) for age in passages.ages[1:]]
        return float(np.max(np.abs(np.array(fitted) - passages.failed[1:])))


def fit_passages(passages: Passages) -> PassageFits:
    """Weibull and lognormal fits; none where fewer than two intervals hold failures, which leaves the spread open."""
    filled = int(np.count_nonzero(passages.first[1:-1]))
    if filled == 0:
        return PassageFits((), "no unit that conforms when new stops conforming by the last age")
    if filled == 1 or passages.aged_out < 2:
        return PassageFits((), "all first non-conformities lie between the same two ages: no spread is known")
    if passages.failed[1] > MOST_EARLY:
        return PassageFits((), "most units fail before the first age after 0; study earlier ages, by --age")
    lives = passages.lives()
    try:
        fits = [fit_life(lives, shape) for shape in SHAPES]
    except InvalidArgument as error:
        return PassageFits((), str(error))
    return PassageFits(tuple(sorted(fits, key=lambda fit: fit.akaike)))
