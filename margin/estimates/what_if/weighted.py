"""Statistics of weighted units: effective number, jackknife over clusters, interval of a share, quantile of cells."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def effective(weights: Array) -> float:
    """Effective number of weighted units (Kish, 'Survey Sampling', 1965); 0 where none has weight."""
    total = float(weights.sum())
    return total**2 / float((weights**2).sum()) if total > 0.0 else 0.0


def total_by(place: NDArray[np.int64], weights: Array, count: int) -> Array:
    """(count,) Sums of weights by place."""
    return np.bincount(place, weights, count).astype(np.float64)


def regression(of: Array, on: Array) -> tuple[float, float]:
    """Slope of a regression between clusters, and the share of the variance that it explains."""
    a, b = of - of.mean(), on - on.mean()
    if min(float(a @ a), float(b @ b)) <= 1e-20:
        return 0.0, 0.0
    return float(a @ b) / float(b @ b), float(a @ b) ** 2 / (float(a @ a) * float(b @ b))


def jackknife(left_out: Array) -> float:
    """Standard error from estimates that each leave out a cluster."""
    n = len(left_out)
    return math.sqrt((n - 1) / n * float(np.sum((left_out - left_out.mean()) ** 2)))


def wilson(share: float, error: float, most: float, z: float) -> tuple[float, float]:
    """Interval of a share with a standard error (Wilson 1927), by effective trials, at most so many."""
    trials = min(share * (1.0 - share) / error**2, most) if error > 0.0 and 0.0 < share < 1.0 else most
    centre = (share + z * z / (2.0 * trials)) / (1.0 + z * z / trials)
    half = z / (1.0 + z * z / trials) * math.sqrt(share * (1.0 - share) / trials + (z / (2.0 * trials)) ** 2)
    return max(centre - half, 0.0), min(centre + half, 1.0)


def quantile(histogram: Array, edges: Array, share: float) -> float:
    """Value below which a share of the weight lies, even within a cell."""
    total = np.cumsum(histogram)
    wanted = share * float(total[-1])
    cell = min(int(np.searchsorted(total, wanted, side="left")), len(histogram) - 1)
    before = float(total[cell - 1]) if cell else 0.0
    inside = (wanted - before) / float(histogram[cell]) if histogram[cell] > 0.0 else 0.0
    return float(edges[cell] + inside * (edges[cell + 1] - edges[cell]))
