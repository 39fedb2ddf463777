"""Zero return: output of a sensor just after the load is removed."""

from __future__ import annotations

import numpy as np

from margin.chain.parameter import Value

RESIDUE = "output left when the largest load has just been removed, as share of the output at that load"
HISTORY = "how much of the zero return the loads before have left"


def residue(zero_return: Value, history: Value, at_peak: Value) -> Value:
    """zero_return |2w - 1| output(peak): residue of the loads before a reading, in the unit of the output.

    history  w, uniform in [0, 1], one draw for each placement of the load: the sensor is rested in the middle, which
             is the nominal value, and has just been unloaded at the ends, so that the share left is uniform
    at_peak  output at the largest load of the load cycle, net of zero

    Recovery after a load, uniform between none and all of it (common practice, no source).

    Without a history the residue adds to the zero, the same at every load up to the peak. At high loads it is too
    large, since a load at the peak has nothing above it to come back from: safe, but for a new zero, which removes all.
    Along a history it is zero_return times (largest output before, as far as not vanished, less the present output)
    instead, 0 at the peak (`Memory.left_over`).
    """
    result: Value = zero_return * np.abs(2.0 * history - 1.0) * at_peak
    return result
