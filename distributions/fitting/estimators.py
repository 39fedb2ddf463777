"""Estimates of the parameters of many samples at once, in closed form or by Newton's method.

Every function takes samples (rows, n), each row ascending, and returns parameters (rows, p) in the order of
the fields of the shape. The estimates are those of greatest likelihood, but for limits (see `rectangular`).
"""

from __future__ import annotations

import math

import numpy as np
from scipy.special import digamma, polygamma

from distributions.distribution import FloatArray, as_floats

STEPS = 100
CLOSE = 1e-13
LARGEST_STEP = 1.0
"""Of the logarithm of a parameter in one Newton step."""


def normal(samples: FloatArray) -> FloatArray:
    """Mean and sd = sqrt(sum (x - mean)^2 / n)."""
    return np.stack([samples.mean(axis=1), samples.std(axis=1)], axis=1)


def lognormal(samples: FloatArray) -> FloatArray:
    """Median exp(mean ln x) and standard deviation of ln x, divisor n."""
    logs = normal(np.log(samples))
    return np.stack([np.exp(logs[:, 0]), logs[:, 1]], axis=1)


def exponential(samples: FloatArray) -> FloatArray:
    """Scale: the mean."""
    return as_floats(samples.mean(axis=1, keepdims=True))


def half_normal(samples: FloatArray) -> FloatArray:
    """Sigma = sqrt(sum x^2 / n)."""
    return as_floats(np.sqrt(np.mean(samples**2, axis=1, keepdims=True)))


def rayleigh(samples: FloatArray) -> FloatArray:
    """Sigma = sqrt(sum x^2 / (2 n))."""
    return as_floats(np.sqrt(0.5 * np.mean(samples**2, axis=1, keepdims=True)))


def rectangular(samples: FloatArray) -> FloatArray:
    """Limits without bias: smallest value - w and largest value + w, w = range / (n - 1).

    The limits of greatest likelihood are the extremes of the sample, always inside the true ones; these are
    the unbiased ones of least variance (Johnson, Kotz and Balakrishnan, Continuous Univariate Distributions
    2, 26.4.3).
    """
    low, high = samples[:, 0], samples[:, -1]
    gap = (high - low) / (samples.shape[1] - 1)
    return np.stack([low - gap, high + gap], axis=1)


def gamma(samples: FloatArray) -> FloatArray:
    """Shape a of ln a - digamma(a) = ln(mean) - mean(ln x), scale = mean / a.

    Newton in ln a from the start of Minka (Estimating a Gamma distribution, 2002).
    """
    mean = samples.mean(axis=1)
    # As ln(x / mean): for a small relative spread the two logarithms nearly cancel.
    gap = -np.mean(np.log1p((samples - mean[:, None]) / mean[:, None]), axis=1)
    shape = (3.0 - gap + np.sqrt((gap - 3.0) ** 2 + 24.0 * gap)) / (12.0 * gap)
    for _ in range(STEPS):
        miss = np.log(shape) - digamma(shape) - gap
        step = miss / (shape * polygamma(1, shape) - 1.0)
        shape = shape * np.exp(np.clip(step, -LARGEST_STEP, LARGEST_STEP))
        if np.all(np.abs(step) < CLOSE * np.maximum(1.0, shape)):
            break
    return np.stack([shape, mean / shape], axis=1)


def weibull(samples: FloatArray) -> FloatArray:
    """Shape k of sum x^k ln x / sum x^k - 1 / k = mean ln x, scale = (sum x^k / n)^(1/k).

    Newton in k on logarithms scaled to mean 0 and standard deviation 1 (Cohen, Technometrics 7, 1965, 579).
    """
    logs = np.log(samples)
    centre, spread = logs.mean(axis=1, keepdims=True), logs.std(axis=1, keepdims=True)
    z = (logs - centre) / spread
    slope = np.full_like(centre, math.pi / math.sqrt(6.0))
    for _ in range(STEPS):
        weight = np.exp(slope * (z - z[:, -1:]))
        total = weight.sum(axis=1, keepdims=True)
        first = (weight * z).sum(axis=1, keepdims=True) / total
        second = (weight * z * z).sum(axis=1, keepdims=True) / total
        step = (first - 1.0 / slope) / (second - first**2 + 1.0 / slope**2)
        slope = np.maximum(slope - step, 0.1 * slope)
        if np.all(np.abs(step) < CLOSE * slope):
            break
    top = z[:, -1:]
    level = top + np.log(np.mean(np.exp(slope * (z - top)), axis=1, keepdims=True)) / slope
    return np.concatenate([slope / spread, np.exp(centre + spread * level)], axis=1)


def beta(samples: FloatArray, limits: tuple[float, float]) -> FloatArray:
    """Alpha and beta between known limits, followed by the limits.

    Newton in (ln alpha, ln beta) on the means of ln s and ln(1 - s), s the share of the width, from the
    start by moments (Johnson, Kotz and Balakrishnan, 25.4).
    """
    low, high = limits
    share = (samples - low) / (high - low)
    mean, variance = share.mean(axis=1), share.var(axis=1)
    total = np.maximum(mean * (1.0 - mean) / variance - 1.0, 0.1)
    logs = np.log(np.stack([mean * total, (1.0 - mean) * total], axis=1))
    target = np.stack([np.log(share).mean(axis=1), np.log1p(-share).mean(axis=1)], axis=1)
    for _ in range(STEPS):
        exponents = np.exp(logs)
        both = exponents.sum(axis=1, keepdims=True)
        miss = digamma(exponents) - digamma(both) - target
        own, cross = polygamma(1, exponents), -polygamma(1, both)
        a, d, b = own[:, 0] + cross[:, 0], own[:, 1] + cross[:, 0], cross[:, 0]
        step = np.stack([d * miss[:, 0] - b * miss[:, 1], a * miss[:, 1] - b * miss[:, 0]], axis=1)
        step = step / (a * d - b * b)[:, None] / exponents
        logs = logs - np.clip(step, -LARGEST_STEP, LARGEST_STEP)
        if np.all(np.abs(step) < 1e-11):
            break
    return np.concatenate([np.exp(logs), np.tile(np.array(limits), (samples.shape[0], 1))], axis=1)
