"""Goodness of fit: distance of a sample from a fitted shape, judged against samples of that shape."""

from __future__ import annotations

import numpy as np

from distributions.distribution import LARGEST_UNIFORM, FloatArray

LEAST_LEVEL = 1e-300


def anderson_darling(levels: FloatArray) -> FloatArray:
    """A^2 of cumulative probabilities (..., n), ascending; shape (...).

    A^2 = -n - sum (2i - 1) (ln u_i + ln(1 - u_(n + 1 - i))) / n; NIST/SEMATECH e-Handbook 1.3.5.14. It weighs
    the tails, which decide on a yield.
    """
    n = levels.shape[-1]
    odd = 2.0 * np.arange(1, n + 1) - 1.0
    lower = np.log(np.maximum(levels, LEAST_LEVEL))
    upper = np.log1p(-np.minimum(levels[..., ::-1], LARGEST_UNIFORM))
    found: FloatArray = -n - np.mean(odd * (lower + upper), axis=-1)
    return found


def exceedance(observed: float, simulated: FloatArray) -> float:
    """p value (1 + #{simulated >= observed}) / (1 + count) of a Monte Carlo test.

    Davison and Hinkley, Bootstrap Methods and their Application, 1997, 4.2.
    """
    return (1.0 + float(np.sum(simulated >= observed))) / (1.0 + simulated.size)
