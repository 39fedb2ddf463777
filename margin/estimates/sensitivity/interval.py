"""Intervals of estimates by the jackknife over independent replicates, and what they resolve."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

Array = NDArray[np.float64]

RESOLVED = "resolved"
BELOW = "below resolution"
UNDEFINED = "undefined"


@dataclass(frozen=True)
class Interval:
    """Estimates with the ends of their intervals, arrays of one shape."""

    value: Array
    low: Array
    high: Array

    @property
    def width(self) -> Array:
        return np.asarray(self.high - self.low)


def verdicts(found: Interval) -> NDArray[np.str_]:
    """'resolved' where the interval lies above zero, else 'below resolution'; 'undefined' at NaN."""
    verdict = np.where(found.low > 0.0, RESOLVED, BELOW)
    return np.where(np.isnan(found.value), UNDEFINED, verdict)


def root(variance: Array) -> Array:
    """Standard contribution from one in variance; NaN below zero, where the verdict is 'below resolution'."""
    return np.sqrt(np.where(variance >= 0.0, variance, np.nan))


def check_level(level: float) -> None:
    """Raise ValueError unless the level is strictly between 0 and 1."""
    if not 0.0 < level < 1.0:
        raise ValueError(f"level is {level}; give the coverage as a fraction between 0 and 1, such as 0.95")


def jackknife(batch: Array, level: float) -> Interval:
    """Interval from estimates of all replicates and with each left out, (1 + r, ...), Student t with r - 1 degrees of
    freedom (Tukey 1958; Efron 1982, The Jackknife, the Bootstrap and Other Resampling Plans)."""
    half = half_width(batch, level)
    return Interval(batch[0], batch[0] - half, batch[0] + half)


def half_width(batch: Array, level: float) -> Array:
    """Half width of the interval of `jackknife`."""
    count = len(batch) - 1
    spread = batch[1:] - batch[1:].mean(axis=0)
    error = np.sqrt((count - 1) / count * (spread**2).sum(axis=0))
    return np.asarray(stdtrit(count - 1, 0.5 + level / 2) * error)


def clipped(found: Interval) -> Interval:
    """The interval within [0, 1]; about the bound where the estimate lies beyond it, so that none has zero width."""
    value = np.clip(found.value, 0.0, 1.0)
    moved = value - found.value
    return Interval(value, np.clip(found.low + moved, 0.0, 1.0), np.clip(found.high + moved, 0.0, 1.0))
