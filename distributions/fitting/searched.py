"""Estimates of greatest likelihood that need a search: Student t and triangular.

As in `estimators`: samples (rows, n), ascending -> parameters (rows, p).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

from distributions.distribution import FloatArray
from distributions.fitting.simplex import minimise

MOST_DOF = 200.0
"""Degrees of freedom at which a Student t is as good as normal; more are not distinguished."""

LEAST_DOF = 2.05

LEAST_GAP, MOST_GAP = 1e-6, 10.0
"""A limit of the triangular shape lies this many ranges of the sample outside its extreme."""


def student_t(samples: FloatArray) -> FloatArray:
    """Location, scale and degrees of freedom, 2.05 to 200, of the greatest likelihood.

    Searched in (location, ln scale, ln(dof - 2)) of the samples scaled by median and quartiles.
    """
    n = samples.shape[1]
    centre = np.median(samples, axis=1, keepdims=True)
    quartiles = np.quantile(samples, [0.25, 0.75], axis=1)
    size = (quartiles[1] - quartiles[0])[:, None] / 1.35
    size = np.where(size > 0, size, samples.std(axis=1, keepdims=True))
    z = (samples - centre) / size

    def misfit(point: FloatArray, rows: NDArray[np.intp]) -> FloatArray:
        dof = _dof(point[:, 2])
        half = 0.5 * (dof + 1.0)
        scaled = (z[rows] - point[:, :1]) * np.exp(-point[:, 1:2])
        tails = half * np.log1p(scaled * scaled / dof[:, None]).sum(axis=1).T
        norm = gammaln(half) - gammaln(0.5 * dof) - 0.5 * np.log(dof * math.pi) - point[:, 1]
        return np.asarray(tails - n * norm + _outside(point[:, 2]), dtype=np.float64)

    start = np.tile([0.0, 0.0, math.log(8.0)], (samples.shape[0], 1))
    found = minimise(misfit, start)
    location = centre[:, 0] + size[:, 0] * found[:, 0]
    return np.stack([location, size[:, 0] * np.exp(found[:, 1]), _dof(found[:, 2])], axis=1)


_DOF_ENDS = (math.log(LEAST_DOF - 2.0), math.log(MOST_DOF - 2.0))


def _dof(coordinate: FloatArray) -> FloatArray:
    return 2.0 + np.exp(np.clip(coordinate, *_DOF_ENDS))


def _outside(coordinate: FloatArray) -> FloatArray:
    """A pull back to the permitted range, so that the search does not drift where the likelihood is flat."""
    away = coordinate - np.clip(coordinate, *_DOF_ENDS)
    return away * away


def triangular(samples: FloatArray) -> FloatArray:
    """Low, high and mode of the greatest likelihood.

    For given limits the mode of greatest likelihood is one of the values (Oliver, American Statistician 26,
    1972, 43), so that only the two limits are searched, as logarithms of their distance from the extremes.
    """
    low, high = samples[:, :1], samples[:, -1:]
    z = (samples - low) / (high - low)

    def misfit(point: FloatArray, rows: NDArray[np.intp]) -> FloatArray:
        best, _ = _best_mode(z[rows], *_ends(point))
        return np.asarray(-best + np.sum(_beyond(point) ** 2, axis=1), dtype=np.float64)

    start = np.full((samples.shape[0], 2), math.log(0.2))
    found = minimise(misfit, start)
    left, right = _ends(found)
    _, mode = _best_mode(z, left, right)
    scale, origin = (high - low)[:, 0], low[:, 0]
    return np.stack([origin + scale * end for end in (left[:, 0], right[:, 0], mode)], axis=1)


_GAP_ENDS = (math.log(LEAST_GAP), math.log(MOST_GAP))


def _beyond(point: FloatArray) -> FloatArray:
    return point - np.clip(point, *_GAP_ENDS)


def _ends(point: FloatArray) -> tuple[FloatArray, FloatArray]:
    gaps = np.exp(np.clip(point, *_GAP_ENDS))
    return -gaps[:, :1], 1.0 + gaps[:, 1:]


def _best_mode(z: FloatArray, left: FloatArray, right: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Greatest log-likelihood over the modes at the values, (rows,), and that mode.

    With the mode at the r-th value: n ln(2 / width) + sum_{i < r} ln((x_i - left) / (x_r - left))
    + sum_{i > r} ln((right - x_i) / (right - x_r)).
    """
    n = z.shape[1]
    rise, fall = np.log(z - left), np.log(right - z)
    place = np.arange(1, n + 1)
    below = np.cumsum(rise, axis=1) - place * rise
    above = np.cumsum(fall[:, ::-1], axis=1)[:, ::-1] - place[::-1] * fall
    likelihood = below + above + n * np.log(2.0 / (right - left))
    best = np.argmax(likelihood, axis=1)
    rows = np.arange(z.shape[0])
    return likelihood[rows, best], z[rows, best]
