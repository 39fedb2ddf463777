"""Play operators: hysteresis with memory, for whole load histories."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def play(load: Array, thresholds: Array, start: Array | float = 0.0) -> Array:
    """Outputs of play (backlash) operators along a load history.

    load: (..., step), N; thresholds: (operator,), N, half widths of the play; start: load before the history.
    Returns (..., step, operator): y <- max(F - r, min(F + r, y)).
    Source: Krasnosel'skii and Pokrovskii, 'Systems with Hysteresis', 1989 (from memory).
    """
    before = np.asarray(start, dtype=np.float64)[..., None]
    state = np.maximum(before - thresholds, np.minimum(before + thresholds, 0.0))
    result = np.empty(load.shape + thresholds.shape)
    for i in range(load.shape[-1]):
        now = load[..., i, None]
        state = np.maximum(now - thresholds, np.minimum(now + thresholds, state))
        result[..., i, :] = state
    return result


def remembered_load(load: Array, thresholds: Array, weights: Array) -> Array:
    """Load with memory, N: weighted sum of play operators (Prandtl-Ishlinskii model).

    weights: (..., operator). Feed the result to a memoryless sensor curve for a loop that is not symmetric.
    """
    result: Array = np.sum(play(load, thresholds) * weights[..., None, :], axis=-1)
    return result
