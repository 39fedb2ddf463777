"""Branch and run of each reading from the order of the loads, where the file does not say.

Rule. Within one series (same lot, sensor, mounting, circuit, interface and, where stated, run) readings are
taken in file order. A reading above the one before is on the ascending branch, below it on the descending
one; at an equal load it keeps the branch of the one before. A lowest load opens a new ascending branch:
where it was read twice the last reading belongs to the new branch, and where it was reached in one step from
the top (ascending passes only) every reading of it does. A new run begins with each ascending branch.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def branches(
    loads: NDArray[np.float64], resolution: float = 0.0
) -> tuple[NDArray[np.bool_], NDArray[np.intp]]:
    """Descending (shape (n,), bool) and run (shape (n,), from 1) of readings at `loads` (shape (n,), N).

    resolution  N, loads that differ by no more than this count as equal
    """
    count = loads.size
    if count == 0:
        return np.zeros(0, dtype=bool), np.zeros(0, dtype=np.intp)
    starts, levels = _plateaus(loads, resolution)
    ends = np.append(starts[1:], count)
    falling_in = np.append(False, levels[1:] < levels[:-1])
    rising_out = np.append(levels[1:] > levels[:-1], False)
    if levels.size > 1:
        falling_in[0] = False
    one_step = np.zeros(levels.size, dtype=bool)
    if levels.size > 1:
        before_rose = np.append(True, ~falling_in[:-1])
        one_step = falling_in & rising_out & before_rose
    turning = falling_in & rising_out
    descending = np.repeat(falling_in & ~one_step, ends - starts)
    opens = np.zeros(count, dtype=bool)
    opens[0] = True
    for plateau in np.flatnonzero(turning):
        first, last = starts[plateau], ends[plateau] - 1
        if one_step[plateau]:
            opens[first] = True
        elif last > first:
            descending[last] = False
            opens[last] = True
        else:
            opens[last + 1] = True
    return descending, np.cumsum(opens)


def _plateaus(loads: NDArray[np.float64], resolution: float) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    changed = np.append(True, np.abs(np.diff(loads)) > resolution)
    starts = np.flatnonzero(changed)
    return starts, loads[starts]
