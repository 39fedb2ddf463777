"""Distributions of life fitted to endurance data with censoring, by maximum likelihood.

ln(life) = location + spread w, with w of the smallest extreme value for the Weibull distribution (scale e^location,
shape 1 / spread) and standard normal for the lognormal one: both are one family of location and spread (Meeker and
Escobar, Statistical Methods for Reliability Data, chapter 8, from memory). Intervals are those of the profile
likelihood, which hold better than normal ones where few units failed, and are too narrow all the same there
(tests/benchmarks/life_coverage.md).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq, minimize, minimize_scalar
from scipy.special import log_ndtr, ndtri
from scipy.stats import chi2

from distributions.errors import InvalidArgument

Array = NDArray[np.float64]
Shape = Literal["Weibull", "lognormal"]

LEAST_FAILURES = 2
_WIDEST = 60.0
"""Farthest that an end of an interval is sought, in ln(life) and in ln(spread)."""
_LOG_ROOT_TWO_PI = 0.5 * math.log(2.0 * math.pi)


@dataclass(frozen=True)
class Lives:
    """Lives of units as far as they are known, in any one unit of time or cycles.

    low, high  (unit,): a life lies above `low` and up to `high`. Equal where it was observed, `high` infinite where the
               unit still worked at `low`, both finite where it was found failed at an inspection
    units      (unit,): how many units each entry stands for; None: one

    InvalidArgument for lives that are not positive, ends in the wrong order, or fewer than two failures.
    """

    low: Array
    high: Array
    units: Array | None = None

    def __post_init__(self) -> None:
        low, high = self.low, self.high
        if low.ndim != 1 or low.shape != high.shape or low.size == 0:
            raise InvalidArgument("lives are two lists of the same length, one entry a unit")
        if self.units is not None and not (self.units.shape == low.shape and bool(np.all(self.units >= 0.0))):
            raise InvalidArgument("units are a list as long as the lives, none of them negative")
        sound = np.isfinite(low) & (low >= 0.0) & (high >= low) & (high > 0.0)
        if not sound.all():
            first = int(np.flatnonzero(~sound)[0])
            raise InvalidArgument(
                f"life {first + 1} lies between {low[first]:g} and {high[first]:g}: ends are in order, the upper one "
                "above 0"
            )
        if self.failures < LEAST_FAILURES:
            whole = int(self.counted.sum())
            raise InvalidArgument(
                f"{self.failures} of {whole} units failed: a distribution is fitted to {LEAST_FAILURES} or more; "
                "with fewer, state a shape and use what the test shows (Weibayes)"
            )

    @classmethod
    def of_test(cls, times: ArrayLike, failed: ArrayLike) -> Lives:
        """Lives from times and whether the unit failed then; the others still worked.

        >>> Lives.of_test([120.0, 300.0, 500.0], [True, True, False]).failures
        2
        """
        low, ended = np.asarray(times, dtype=np.float64), np.asarray(failed, dtype=bool)
        return cls(low, np.where(ended, low, np.inf))

    @property
    def failures(self) -> int:
        """Units that failed."""
        return int(self.counted[np.isfinite(self.high)].sum())

    @property
    def counted(self) -> Array:
        """Units that each entry stands for, (unit,)."""
        return np.ones(self.low.shape) if self.units is None else self.units


@dataclass(frozen=True)
class LifeFit:
    """A distribution of life fitted to data.

    location, spread  of ln(life)
    log_likelihood    at the fit: of two fits to the same data the higher one follows them better
    """

    shape_name: Shape
    location: float
    spread: float
    log_likelihood: float
    lives: Lives

    @property
    def scale(self) -> float:
        """e^location: characteristic life of a Weibull distribution (63.2 % failed), median of a lognormal one."""
        return math.exp(self.location)

    @property
    def shape(self) -> float:
        """1 / spread of a Weibull distribution; the spread of ln(life) of a lognormal one."""
        return 1.0 / self.spread if self.shape_name == "Weibull" else self.spread

    @property
    def akaike(self) -> float:
        """Akaike's criterion, 2 k - 2 ln L with k = 2: the lower, the better."""
        return 4.0 - 2.0 * self.log_likelihood

    def life(self, failed: float) -> float:
        """Life by which a share of units has failed."""
        return math.exp(self.location + self.spread * float(_quantile(self.shape_name, _share(failed))))

    def reliability(self, time: float) -> float:
        """Share of units that reach a time."""
        return math.exp(
            float(_log_survival(self.shape_name, (math.log(_above(time)) - self.location) / self.spread))
        )

    def interval_of_life(self, failed: float, confidence: float = 0.95) -> tuple[float, float]:
        """Interval of `life`, of the profile likelihood."""
        at = float(_quantile(self.shape_name, _share(failed)))
        ends = self._ends(math.log(self.life(failed)), lambda value, spread: value - at * spread, confidence)
        return math.exp(ends[0]), math.exp(ends[1])

    def interval_of_scale(self, confidence: float = 0.95) -> tuple[float, float]:
        """Interval of `scale`, of the profile likelihood."""
        return self.interval_of_life(-math.expm1(-1.0) if self.shape_name == "Weibull" else 0.5, confidence)

    def interval_of_reliability(self, time: float, confidence: float = 0.95) -> tuple[float, float]:
        """Interval of `reliability`, of the profile likelihood."""
        moment = math.log(_above(time))
        score = (moment - self.location) / self.spread
        low, high = self._ends(score, lambda value, spread: moment - value * spread, confidence)
        survive = [math.exp(float(_log_survival(self.shape_name, end))) for end in (high, low)]
        return survive[0], survive[1]

    def interval_of_shape(self, confidence: float = 0.95) -> tuple[float, float]:
        """Interval of `shape`, of the profile likelihood."""
        drop = self._drop(confidence)

        def lacking(log_spread: float) -> float:
            spread = math.exp(log_spread)
            best = minimize_scalar(
                lambda location: -_log_likelihood(self.shape_name, self.lives, location, spread),
                bracket=(self.location - spread, self.location + spread),
            )
            return float(-best.fun - self.log_likelihood + drop)

        ends = _crossings(lacking, math.log(self.spread), 0.1)
        spreads = math.exp(ends[0]), math.exp(ends[1])
        return (1.0 / spreads[1], 1.0 / spreads[0]) if self.shape_name == "Weibull" else spreads

    def _drop(self, confidence: float) -> float:
        return 0.5 * float(chi2.ppf(_share(confidence), 1))

    def _ends(
        self, value: float, location_of: Callable[[float, float], float], confidence: float
    ) -> tuple[float, float]:
        """Ends of the profile likelihood of a value that, with the spread, gives the location."""
        drop = self._drop(confidence)

        def lacking(at: float) -> float:
            def of_spread(log_spread: float) -> float:
                spread = math.exp(log_spread)
                return -_log_likelihood(self.shape_name, self.lives, location_of(at, spread), spread)

            start = math.log(self.spread)
            best = minimize_scalar(of_spread, bracket=(start - 0.3, start + 0.3))
            return float(-best.fun - self.log_likelihood + drop)

        return _crossings(lacking, value, 0.2 * self.spread)


def fit_life(lives: Lives, shape_name: Shape) -> LifeFit:
    """The distribution of a shape that the lives are most likely under.

    InvalidArgument where the likelihood has no maximum: all failures at one time, with nothing beyond it.

    >>> fit = fit_life(Lives.of_test([100.0, 180.0, 260.0, 400.0], [True, True, True, False]), "Weibull")
    >>> fit.life(0.1) < fit.scale
    True
    """
    known = np.isfinite(lives.high)
    middle = np.log(
        np.where(lives.low[known] > 0.0, np.sqrt(lives.low[known] * lives.high[known]), lives.high[known])
    )
    exact = lives.low == lives.high
    if exact.sum() == known.sum() and np.ptp(middle) == 0.0:
        raise InvalidArgument("all failures lie at one time: no spread of lives is known from them")
    start = np.array([float(middle.mean()), math.log(max(float(middle.std()), 0.1))])

    def unlikely(at: Array) -> float:
        return -_log_likelihood(shape_name, lives, float(at[0]), math.exp(float(at[1])))

    found = minimize(
        unlikely, start, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-11, "maxiter": 4000}
    )
    location, spread = float(found.x[0]), math.exp(float(found.x[1]))
    if not found.success or spread < 1e-6:
        raise InvalidArgument(
            "the lives leave the spread undetermined: no maximum of the likelihood was found"
        )
    return LifeFit(shape_name, location, spread, float(-found.fun), lives)


def _log_likelihood(shape_name: Shape, lives: Lives, location: float, spread: float) -> float:
    exact, censored = lives.low == lives.high, np.isinf(lives.high)
    between, units = ~(exact | censored), lives.counted
    with np.errstate(divide="ignore"):
        low, high = ((np.log(ends) - location) / spread for ends in (lives.low, lives.high))
    density = _log_density(shape_name, low[exact]) - math.log(spread) - np.log(lives.low[exact])
    total = float(units[exact] @ density) + float(units[censored] @ _log_survival(shape_name, low[censored]))
    if between.any():
        above, beyond = (_log_survival(shape_name, ends[between]) for ends in (low, high))
        total += float(units[between] @ (above + np.log(-np.expm1(np.minimum(beyond - above, -1e-300)))))
    return total if math.isfinite(total) else -1e300


def _log_density(shape_name: Shape, score: Array) -> Array:
    if shape_name == "Weibull":
        return np.asarray(score - np.exp(np.minimum(score, 700.0)))
    return np.asarray(-0.5 * score**2 - _LOG_ROOT_TWO_PI)


def _log_survival(shape_name: Shape, score: float | Array) -> Array:
    if shape_name == "Weibull":
        return np.asarray(-np.exp(np.minimum(score, 700.0)))
    return np.asarray(log_ndtr(-np.asarray(score)))


def _quantile(shape_name: Shape, share: float) -> float:
    return math.log(-math.log1p(-share)) if shape_name == "Weibull" else float(ndtri(share))


def _crossings(lacking: Callable[[float], float], best: float, step: float) -> tuple[float, float]:
    """Where a profile falls below its level, on both sides of its maximum; infinite where it does not."""
    ends = []
    for sign in (-1.0, 1.0):
        inside, reach = best, step
        while lacking(best + sign * reach) > 0.0:
            inside, reach = best + sign * reach, 2.0 * reach
            if reach > _WIDEST:
                break
        if reach > _WIDEST:
            ends.append(sign * math.inf)
            continue
        ends.append(float(brentq(lacking, inside, best + sign * reach, xtol=1e-10)))
    return ends[0], ends[1]


def _share(value: float) -> float:
    if not 0.0 < value < 1.0:
        raise InvalidArgument(f"{value:g} is no share between 0 and 1")
    return value


def _above(time: float) -> float:
    if not (math.isfinite(time) and time > 0.0):
        raise InvalidArgument(f"a life of {time:g} is not above 0")
    return time
