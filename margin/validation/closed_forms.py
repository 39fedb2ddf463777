"""Exact yields and lower bounds of small models of the relative force error e; a unit conforms when |e| <= T.

Y is the share of conforming units given what all of them have in common. The yield is its mean, the lower bound its
5 % point over what is unknown. Errors and limits are relative (0.01 is 1 %). Values are closed forms or integrals in
one dimension by Gauss-Legendre quadrature; nothing here knows the engine.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtr, chdtri, gammaincinv, gammaln, ndtr, ndtri
from scipy.stats import t as student_t

from margin.validation.quadrature import (
    FAR,
    centre_within,
    normal_nodes,
    panels,
    quantile,
    quantile_of_hump,
    within,
)

Array = NDArray[np.float64]

PROBABILITY = 0.05
"""Of the lower bound: the yield lies below it with this probability."""

UNLIKELY = 1e-18
"""Probability that a quadrature may leave out."""

TOP = 1.0 - 1e-12
"""Highest yield at which a lower bound is looked for."""


@dataclass(frozen=True)
class Exact:
    """Exact yield of a case, and the lower bound of the yield (the yield itself where nothing is unknown)."""

    share: float
    bound: float


def shared_gain(limit: float, unit: float, gain: float, mean: float = 0.0) -> Exact:
    """e = m + g + a with g ~ N(0, gain) common to all units, a ~ N(0, unit) of each, and a known mean m.

    Y(g) = Phi((T - m - g) / s) - Phi((-T - m - g) / s) falls with |m + g|; the yield is that of one normal error of
    variance gain^2 + unit^2, the bound Y where |m + g| has its 95 % point (folded normal distribution).
    """
    share = float(within(mean, math.hypot(unit, gain), limit))

    def folded(distance: float) -> float:
        return float(ndtr((distance - mean) / gain) - ndtr((-distance - mean) / gain))

    distance = quantile(folded, 1.0 - PROBABILITY, 0.0, abs(mean) + FAR * gain)
    return Exact(share, float(within(distance, unit, limit)))


def few_units(limit: float, sd: float, units: int, gain: float = 0.0) -> Exact:
    """e = g + mu + s z: mean mu and spread s known from a sample of n units with standard deviation S, and a gain g.

    s^2 ~ (n - 1) S^2 / chi2(n - 1), mu given s ~ N(0, s^2 / n) (Gelman et al., Bayesian Data Analysis, 3.2), and
    g ~ N(0, gain). Without a gain the yield is that of Student's t with n - 1 degrees of freedom and the scale
    S sqrt(1 + 1 / n); with one it is the mean over s.
    """

    def centre(s: Array) -> Array:
        return np.hypot(gain, s / math.sqrt(units))

    if gain == 0.0:
        share = 2.0 * float(student_t.cdf(limit / (sd * math.sqrt(1.0 + 1.0 / units)), units - 1)) - 1.0
    else:
        share = mean_over_spread(lambda s: within(0.0, np.hypot(s, centre(s)), limit), sd, units - 1)
    return Exact(share, uncertain_spread(limit, sd, units - 1, centre))


def mean_over_spread(share: Callable[[Array], Array], sd: float, freedom: int) -> float:
    """Mean of share(s) over s^2 ~ k S^2 / chi2(k), by quadrature over the logarithm of s."""
    low, high = np.log(_spreads(sd, freedom))
    logarithm, weight = panels(low, high, 200)
    s = np.exp(logarithm)
    return float(np.sum(weight * s * _spread_density(s, sd, freedom) * share(s)))


def uncertain_spread(limit: float, sd: float, freedom: int, centre: Callable[[Array], Array]) -> float:
    """5 % point of the yield where s^2 ~ k S^2 / chi2(k) and the mean given s ~ N(0, centre(s)).

    P(Y <= y) = integral over s of P(|mean| >= c(s, y)), with c the distance of the mean at which a share y is within.
    Above the spread at which even a mean of 0 leaves less within, it is a probability of chi2 alone; below it the
    integral is taken over v with s = s_max (1 - v^2), which removes the root of c at its end.
    """

    spreads = _spreads(sd, freedom)

    def distribution(share: float) -> float:
        widest = limit / float(ndtri(0.5 + 0.5 * share))
        low, high = np.sqrt(1.0 - np.minimum(spreads, widest) / widest)
        v, weight = panels(high, low, 60)
        s = widest * (1.0 - v * v)
        beyond = 2.0 * ndtr(-centre_within(share, s, limit) / centre(s))
        inner = np.sum(weight * 2.0 * widest * v * _spread_density(s, sd, freedom) * beyond)
        return float(inner + chdtr(freedom, freedom * (sd / widest) ** 2))

    return quantile(distribution, PROBABILITY, 1e-3, TOP)


def _spreads(sd: float, freedom: int) -> Array:
    """Lowest and highest s that matter: all but UNLIKELY of it lies between them."""
    ends = [float(chdtri(freedom, UNLIKELY)), 2.0 * float(gammaincinv(0.5 * freedom, UNLIKELY))]
    return np.asarray(sd * np.sqrt(float(freedom) / np.array(ends)))


def _spread_density(s: Array, sd: float, freedom: int) -> Array:
    """Density of s where s^2 ~ k S^2 / chi2(k): that of chi2 at x = k S^2 / s^2, times |dx/ds| = 2 x / s."""
    x = freedom * (sd / s) ** 2
    constant = 0.5 * freedom * math.log(2.0) + float(gammaln(0.5 * freedom))
    return np.asarray(np.exp((0.5 * freedom - 1.0) * np.log(x) - 0.5 * x - constant) * 2.0 * x / s)


def one_point_calibration(limit: float, gain: float, reload: float, placements: int) -> Exact:
    """e_j = (1 + g) (1 + r_j) / (1 + r_c) - 1: a calibration at one load, all of k placements in use within T.

    g ~ N(0, gain) is the error of the station's reference, common to its units; r_c ~ N(0, reload) the placement at
    the calibration, kept in the unit's gain; r_j ~ N(0, reload) those in use. Given g and r_c the placements are
    independent: Y(g) = mean over r_c of P(|e_1| <= T)^k.
    """
    z, weight = normal_nodes()

    def share(g: Array | float) -> Array:
        kept = (1.0 + reload * z) / (1.0 + np.asarray(g)[..., None])
        high, low = ((end * kept - 1.0) / reload for end in (1.0 + limit, 1.0 - limit))
        return np.asarray((ndtr(high) - ndtr(low)) ** placements @ weight)

    mean = float(weight @ share(gain * z))
    return Exact(mean, quantile_of_hump(lambda z: float(share(gain * z)), PROBABILITY))


def lots(limit: float, unit: float, lot: float, *, skewed: bool = False) -> Exact:
    """e = l + a over infinitely many lots; nothing is unknown, so that the bound is the yield.

    l ~ N(0, lot), or skewed: lot (z^2 - 1) / sqrt(2) with z ~ N(0, 1), a gamma distribution of exponent 1/2 with
    mean 0 and standard deviation `lot`.
    """
    share = float(_share_of_lots(0.0, limit, unit, lot, skewed))
    return Exact(share, share)


def lots_and_gain(limit: float, unit: float, lot: float, gain: float, *, skewed: bool = False) -> Exact:
    """e = g + l + a: a gain g ~ N(0, gain) common to all lots, and lots as above.

    Normal lots only widen the spread of units; with skewed ones Y(g) rises to one maximum and falls behind it.
    """
    if not skewed:
        return shared_gain(limit, math.hypot(unit, lot), gain)
    z, weight = normal_nodes()
    mean = float(weight @ _share_of_lots(gain * z, limit, unit, lot, True))
    bound = quantile_of_hump(
        lambda score: float(_share_of_lots(gain * score, limit, unit, lot, True)), PROBABILITY
    )
    return Exact(mean, bound)


def _share_of_lots(gain: Array | float, limit: float, unit: float, lot: float, skewed: bool) -> Array:
    """Share within the limit at a common gain, (gain,), over all lots."""
    if not skewed:
        return within(gain, math.hypot(unit, lot), limit)
    z, weight = normal_nodes(200)
    effect = lot * (z * z - 1.0) / math.sqrt(2.0)
    return np.asarray(within(np.asarray(gain)[..., None] + effect, unit, limit) @ weight)


def jump(limit: float, unit: float, size: float, probability: float) -> Exact:
    """e = g + a with a common g that is `size` with a probability and 0 else: the yield takes two values."""
    good, bad = float(within(0.0, unit, limit)), float(within(size, unit, limit))
    share = (1.0 - probability) * good + probability * bad
    return Exact(share, bad if probability >= PROBABILITY else good)
