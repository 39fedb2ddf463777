"""Force from the output of a sensor on any branch of its load cycle."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from margin.chain.laws import absent, loop_slope, loop_weight
from margin.chain.parameter import Value
from margin.chain.setting import Setting

STEPS = 8
"""Steps of Newton's method: as many for one value as for another, so that none depends on those beside it."""


def force_on_branch(
    ascending: Callable[[Value], Value],
    lever: Callable[[Value], Value],
    output: Value,
    hysteresis: Value,
    setting: Setting,
) -> Value:
    """Force F, N, at which A(F) (1 + h 4u(1 - u) descending) = output, with u = F / peak.

    ascending  inverse of A, the output on the ascending branch, net of what does not depend on the load
    lever      dF / d ln A at a force, N: exact for a power law, at least of the right size otherwise
    output     net output, in the unit of A
    hysteresis h, relative excess of the descending branch in the middle of the load cycle

    Newton's method on F = ascending(output / (1 + h 4u(1 - u) descending)) from the ascending branch. Where
    4 h descending lever / F reaches 1 at the peak the branch turns back there and has no inverse.
    """
    force = ascending(output)
    if absent(hysteresis) or absent(setting.descending):
        return force
    excess = hysteresis * setting.descending
    for _ in range(STEPS):
        factor = 1.0 + excess * loop_weight(force, setting.peak)
        found = ascending(output / factor)
        slope = -lever(found) * excess * loop_slope(force, setting.peak) / factor
        # bounded, so that an output that no force on this branch gives stays a number
        force = force - (force - found) / np.maximum(1.0 - slope, 0.05)
    return force
