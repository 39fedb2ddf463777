"""Functions whose Sobol indices are known in closed form, on uniforms (rows, c)."""

from __future__ import annotations

from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

Array = NDArray[np.float64]

LINEAR_COEFFICIENTS = np.array([1.0, 0.7, 0.4, 0.2, 0.05])
G_COEFFICIENTS = np.array([0.0, 1.0, 4.5, 9.0, 99.0, 99.0, 99.0, 99.0])


def ishigami(uniforms: Array) -> Array:
    """sin x1 + 7 sin^2 x2 + 0.1 x3^4 sin x1, x uniform on (-pi, pi) (Ishigami and Homma 1990)."""
    x = np.pi * (2.0 * uniforms - 1.0)
    return np.sin(x[:, 0]) + 7.0 * np.sin(x[:, 1]) ** 2 + 0.1 * x[:, 2] ** 4 * np.sin(x[:, 0])


ISHIGAMI_VARIANCE = 13.844587940719254
ISHIGAMI_FIRST = np.array([0.313905191147811, 0.442411144790041, 0.0])
ISHIGAMI_TOTAL = np.array([0.557588855209959, 0.442411144790041, 0.243683664062148])


def g_function(uniforms: Array) -> Array:
    """Product of (|4 u - 2| + a) / (1 + a) (Saltelli and Sobol 1995)."""
    return np.prod((np.abs(4.0 * uniforms - 2.0) + G_COEFFICIENTS) / (1.0 + G_COEFFICIENTS), axis=1)


def g_parts() -> tuple[Array, float]:
    """Variance by each input alone, and in all."""
    alone = 1.0 / (3.0 * (1.0 + G_COEFFICIENTS) ** 2)
    return alone, float(np.prod(1.0 + alone) - 1.0)


def g_first_and_total() -> tuple[Array, Array]:
    """First and total order of the G function."""
    alone, variance = g_parts()
    return alone / variance, alone * np.prod(1.0 + alone) / (1.0 + alone) / variance


def g_shapley() -> Array:
    """Shapley effects of the G function: each interaction shared equally by its inputs (Owen 2014)."""
    alone, variance = g_parts()
    effect = np.zeros(len(alone))
    for size in range(1, len(alone) + 1):
        for inputs in combinations(range(len(alone)), size):
            effect[list(inputs)] += np.prod(alone[list(inputs)]) / size
    return effect / variance


def linear(uniforms: Array) -> Array:
    """Sum of coefficient times standard normal; first and total order are the squares' shares."""
    return ndtri(uniforms) @ LINEAR_COEFFICIENTS


def linear_shares() -> Array:
    """First and total order of the linear function alike."""
    return LINEAR_COEFFICIENTS**2 / np.sum(LINEAR_COEFFICIENTS**2)
