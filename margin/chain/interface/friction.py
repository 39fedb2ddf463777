"""Coulomb friction between the load and the sensor."""

from __future__ import annotations

import numpy as np

from margin.chain.laws import absent
from margin.chain.parameter import Value
from margin.chain.setting import Setting

_LEAST = 1e-12
"""Weight of a branch below which it counts as left out."""


def behind_friction(load: Value, peak: Value, share: Value, constant: Value, setting: Setting) -> Value:
    """Force (N) left of a load (N) behind a sliding fit that holds back share * load + constant either way.

    A play operator: the force stays where it is until the load has gone further by the friction. After a rise from
    0 it is low, after the fall from `peak` (N, of the load cycle) it is high:

      rising    max(F (1 - share) - constant, 0)
      falling   min(F (1 + share) + constant, peak (1 - share) - constant), not below that of the rise

    Along a load history the operator goes from step to step. Half-way between the branches their mean is taken.
    Coulomb's law; play operator: Krasnosel'skii and Pokrovskii, 'Systems with Hysteresis', 1989 (from memory).
    """
    rising = _held_low(load, share, constant)
    if setting.memory is not None:
        return _from_step_to_step(rising, load * (1.0 + share) + constant)
    if absent(setting.descending):
        return rising
    top = _held_low(peak, share, constant)
    falling = np.maximum(rising, np.minimum(load * (1.0 + share) + constant, top))
    return rising + (falling - rising) * setting.descending


def before_friction(force: Value, peak: Value, share: Value, constant: Value, setting: Setting) -> Value:
    """Load (N) that leaves `force` (N) on the branch of the setting: inverse of `behind_friction`.

    Between the branches the force is straight in the load in three pieces: while the rising branch is at rest, while
    both slide, and while the falling branch still holds the peak. At the peak of the falling branch, where one force
    stands for many loads, the least of them.
    """
    risen = (force + constant) / (1.0 - share)
    if absent(setting.descending):
        return risen
    fallen = setting.descending
    both = (force + constant * (1.0 - 2.0 * fallen)) / (1.0 - share * (1.0 - 2.0 * fallen))
    resting = (force / np.maximum(fallen, _LEAST) - constant) / (1.0 + share)
    top = _held_low(peak, share, constant)
    holding = ((force - fallen * top) / np.maximum(1.0 - fallen, _LEAST) + constant) / (1.0 - share)
    result: Value = np.maximum(np.minimum(both, resting), holding)
    return result


def _held_low(load: Value, share: Value, constant: Value) -> Value:
    result: Value = np.maximum(load * (1.0 - share) - constant, 0.0)
    return result


def _from_step_to_step(low: Value, high: Value) -> Value:
    """Force at each step, (..., step), from no force: held within `low` and `high` of the step."""
    lowest, highest = np.broadcast_arrays(np.asarray(low), np.asarray(high))
    state = np.zeros(lowest.shape[:-1])
    found = np.empty(lowest.shape)
    for step in range(lowest.shape[-1]):
        state = np.maximum(lowest[..., step], np.minimum(highest[..., step], state))
        found[..., step] = state
    return found
