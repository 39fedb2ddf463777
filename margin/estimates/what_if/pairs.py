"""Scatter of the yield between outer draws, from pairs of units: one number, and the lower bound that follows from it.

In one outer draw a unit conforms with probability Phi((h - sqrt(r) z) / sqrt(1 - r)), z standard normal over the outer
draws: the one-factor normal model, in which r is the tetrachoric correlation of two units that share an outer draw
(Pearson 1900; Drezner and Wesolowsky, 'On the computation of the bivariate normal integral', Journal of Statistical
Computation and Simulation 35, 1990). The pooled yield is Phi(h), and the 5 % point over outer draws that of z = 1.645.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.special import ndtr, ndtri

END = 1.6448536269514722
"""Standard normal score beyond which 5 % of the outer draws lie."""

MOST = 0.98
"""Largest correlation considered."""

STEPS = 48
"""Halvings of an interval: its last is 3e-15."""

LEAST = 1e-9
"""Shares nearer than this to 0 or 1 count as that far away."""

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(20)


def score(share: float) -> float:
    """Standard normal quantile of a share."""
    return float(ndtri(min(max(share, LEAST), 1.0 - LEAST)))


def both(h: float, correlation: float) -> float:
    """Probability that two standard normal numbers of this correlation both lie below h."""
    # in the angle whose sine is the correlation the integrand is smooth up to 1
    half = 0.5 * math.asin(correlation)
    sines = np.sin(half * (_NODES + 1.0))
    area = half * float(np.sum(_WEIGHTS * np.exp(-h * h / (1.0 + sines))))
    return float(ndtr(h)) ** 2 + area / (2.0 * math.pi)


def correlation_of_pairs(share: float, pairs: float) -> float:
    """Correlation at which both of two units conform with probability `pairs`; 0 where that is below share squared."""
    h = score(share)
    low, high = 0.0, MOST
    if pairs <= both(h, 0.0):
        return 0.0
    for _ in range(STEPS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if both(h, middle) < pairs else (low, middle)
    return 0.5 * (low + high)


def bound_score(h: float, correlation: float) -> float:
    """Standard normal score of the 5 % point of the yield over outer draws."""
    return (h - END * math.sqrt(correlation)) / math.sqrt(1.0 - correlation)


def correlation_of_bound(h: float, bound: float) -> float:
    """Smallest correlation at which the 5 % point has this score; 0 where that lies above h.

    The 5 % point falls until the root of the correlation is 1.645 / h and rises from there: fewer and fewer outer draws
    then have all the failing units. A score below the lowest gives the correlation of the lowest.
    """
    low, high = 0.0, MOST if h <= 0.0 else min(MOST, (END / h) ** 2)
    if bound >= h:
        return 0.0
    for _ in range(STEPS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if bound_score(h, middle) > bound else (low, middle)
    return 0.5 * (low + high)
