"""Numerical tools of the exact values: Gauss-Legendre nodes, the share within limits, quantiles by root finding."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq, minimize_scalar
from scipy.special import ndtr

Array = NDArray[np.float64]

FAR = 9.5
"""Standard deviations beyond which a normal density has no weight in double precision."""

HALVINGS = 80


def panels(low: float, high: float, count: int, order: int = 20) -> tuple[Array, Array]:
    """Nodes and weights (node,) of Gauss-Legendre quadrature on `count` equal panels of an interval.

    Abramowitz and Stegun, Handbook of Mathematical Functions, 25.4.29.
    """
    node, weight = np.polynomial.legendre.leggauss(order)
    half = 0.5 * (high - low) / count
    centre = low + half * (2.0 * np.arange(count) + 1.0)
    return (centre[:, None] + half * node).ravel(), np.tile(half * weight, count)


def normal_nodes(count: int = 80) -> tuple[Array, Array]:
    """Nodes and weights (node,) of the mean over a standard normal variable."""
    z, weight = panels(-FAR, FAR, count)
    return z, weight * np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi)


def within(centre: Array | float, sd: Array | float, limit: float) -> Array:
    """P(|X| <= limit) of X ~ N(centre, sd): Phi((T - c) / s) - Phi((-T - c) / s), without loss in the tails."""
    distance = np.abs(centre)
    return np.asarray(ndtr((limit - distance) / sd) - ndtr((-limit - distance) / sd))


def centre_within(share: float, sd: Array, limit: float) -> Array:
    """Distance of the mean of N(centre, sd) from 0 at which `share` lies within the limit, (sd,); 0 if none does."""
    low, high = np.zeros_like(sd), limit + 40.0 * sd
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        more = within(middle, sd, limit) > share
        low, high = np.where(more, middle, low), np.where(more, high, middle)
    return 0.5 * (low + high)


def quantile(distribution: Callable[[float], float], probability: float, low: float, high: float) -> float:
    """Value between `low` and `high` at which a distribution function reaches the probability.

    Raises ValueError where it does not reach it between them.
    """
    return float(brentq(lambda value: distribution(value) - probability, low, high, xtol=1e-14, rtol=1e-13))


def quantile_of_hump(share: Callable[[float], float], probability: float) -> float:
    """Quantile of share(z), z ~ N(0, 1), of a function that rises to one maximum and falls behind it.

    P(share <= q) = Phi(a) + Phi(-b), where share(a) = share(b) = q on either side of the maximum.
    """
    found = minimize_scalar(
        lambda z: -share(z), bounds=(-FAR, FAR), method="bounded", options={"xatol": 1e-9}
    )
    top, ends = float(found.x), (share(-FAR), share(FAR))

    def mass(value: float) -> float:
        low, high = -FAR, FAR
        if ends[0] < value:
            low = brentq(lambda z: share(z) - value, -FAR, top, xtol=1e-13, rtol=1e-13)
        if ends[1] < value:
            high = brentq(lambda z: share(z) - value, top, FAR, xtol=1e-13, rtol=1e-13)
        return float(ndtr(low) + ndtr(-high))

    return quantile(mass, probability, min(ends), share(top) * (1.0 - 1e-12))
