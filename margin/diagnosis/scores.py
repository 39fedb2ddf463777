"""Features as normal scores: each on a scale on which those of unchanged prototypes are normally distributed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

Array = NDArray[np.float64]

KNOTS = 61
"""Quantiles by which the scale of a feature is described; beyond the outer ones, 0.8 % and 99.2 %, it is straight."""

LEAST_SPREAD = 1e-4
"""Distance of a feature (a logarithm) that counts at least as one standard deviation: no reading resolves less."""


@dataclass(frozen=True)
class Scores:
    """Monotone scale of each feature.

    values, normal  of each feature: ascending values, and the normal scores at these; below, above: (feature,) slopes
                    beyond the outer ones
    """

    values: tuple[Array, ...]
    normal: tuple[Array, ...]
    below: Array
    above: Array

    def of(self, features: Array) -> Array:
        """Scores of features, (..., feature)."""
        result = np.empty(np.shape(features))
        for k, (values, normal) in enumerate(zip(self.values, self.normal, strict=True)):
            own = features[..., k]
            result[..., k] = np.interp(own, values, normal)
            result[..., k] += np.minimum(own - values[0], 0.0) * self.below[k]
            result[..., k] += np.maximum(own - values[-1], 0.0) * self.above[k]
        return result


def scores_of(features: Array) -> Scores:
    """Scale on which the features of unchanged prototypes, (unit, feature), are standard normal.

    Rank-based normal scores (van der Waerden), interpolated between quantiles; equal values share their mean score.
    """
    share = (np.arange(KNOTS) + 0.5) / KNOTS
    scores = ndtri(share)
    values, normal, below, above = [], [], [], []
    for k in range(features.shape[1]):
        quantiles = np.quantile(features[:, k], share)
        different, which = np.unique(quantiles, return_inverse=True)
        middle = np.bincount(which, weights=scores) / np.bincount(which)
        whole = max(float(np.ptp(quantiles)) / float(np.ptp(scores)), LEAST_SPREAD)
        median = float(np.median(quantiles))
        lower, upper = median - quantiles[0], quantiles[-1] - median
        values.append(different)
        normal.append(middle)
        below.append(1.0 / max(lower / scores[-1], LEAST_SPREAD) if lower > 0.0 else 1.0 / whole)
        above.append(1.0 / max(upper / scores[-1], LEAST_SPREAD) if upper > 0.0 else 1.0 / whole)
    return Scores(tuple(values), tuple(normal), np.array(below), np.array(above))
