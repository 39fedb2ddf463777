"""Moments of a distribution from its inverse, where no closed form is worth having."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np

from distributions.distribution import FloatArray

_NODES = 200
_DECADES = 40


@lru_cache(maxsize=1)
def _rule() -> tuple[FloatArray, FloatArray]:
    """Nodes and weights on (0, 1/2): Gauss-Legendre on pieces that shrink by halves towards 0."""
    node, weight = np.polynomial.legendre.leggauss(_NODES // 10)
    edges = 0.5 ** np.arange(1, _DECADES + 2)
    edges[-1] = 0.0
    right, left = edges[:-1, None], edges[1:, None]
    nodes = 0.5 * (right + left) + 0.5 * (right - left) * node
    weights = 0.5 * (right - left) * weight
    return nodes.ravel(), weights.ravel()


def mean_and_sd(ppf: Callable[[FloatArray], FloatArray]) -> tuple[float, float]:
    """Mean and standard deviation as integrals of the inverse `ppf` over (0, 1), both tails refined.

    For an inverse without jumps; a kink costs about 1e-7 of the standard deviation.
    """
    nodes, weights = _rule()
    lower, upper = ppf(nodes), ppf(1.0 - nodes)
    mean = float(np.sum(weights * (lower + upper)))
    square = float(np.sum(weights * ((lower - mean) ** 2 + (upper - mean) ** 2)))
    return mean, math.sqrt(square)
