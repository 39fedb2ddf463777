"""Change of a sensor's output under a load that stays on."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from margin.chain.laws import absent
from margin.chain.parameter import Value

EARLIEST = 1e-3
"""The logarithm is held below this share of the reference time: it has no value at the moment of loading."""


def creep_factor(per_decade: Value, dwell: Value, reference_time: Value) -> Value:
    """1 + c log10(t / t0): relative output after `dwell` t, 1 at t0 (common practice, no source).

    per_decade is relative per decade of time. Below t0/1000 the value at t0/1000 holds.
    """
    if absent(per_decade):
        return 1.0
    result: Value = 1.0 + per_decade * np.log10(np.maximum(dwell / reference_time, EARLIEST))
    return result


def exponential_creep(
    load: NDArray[np.float64], interval: Value, amplitudes: NDArray[np.float64], times: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Load that a creeping element follows: load + sum of delayed parts, for a sequence of constant loads.

    load        (..., step) held during each step; interval  s, length of a step, number or (step,)
    amplitudes, times  (..., term) relative amplitude and time constant (s) of each delayed part
    Returns (..., step), the state at the end of each step. The update is exact for piecewise constant load
    (standard linear solids in series): q <- q exp(-dt/tau) + a F (1 - exp(-dt/tau)). Unloading recovers.
    """
    steps = load.shape[-1]
    dt = np.broadcast_to(np.asarray(interval, dtype=np.float64), (steps,))
    state = np.zeros(np.broadcast_shapes(load.shape[:-1], amplitudes.shape[:-1]) + amplitudes.shape[-1:])
    result = np.empty(state.shape[:-1] + (steps,))
    for i in range(steps):
        decay = np.exp(-dt[i] / times)
        state = state * decay + amplitudes * load[..., i, None] * (1.0 - decay)
        result[..., i] = load[..., i] + state.sum(axis=-1)
    return result


def terms_for_decades(
    per_decade: float, first: float, decades: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Amplitudes and time constants that follow a logarithmic creep: one term a decade from `first` (s)."""
    times: NDArray[np.float64] = first * 10.0 ** np.arange(decades, dtype=np.float64)
    return np.full(decades, per_decade, dtype=np.float64), times
