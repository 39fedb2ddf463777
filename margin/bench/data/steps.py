"""Load steps of a stream of readings: which loads are one, known before the readings are condensed."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from margin.bench.data.points import load_points

Array = NDArray[np.float64]

MOST_LOADS = 20_000
FINENESS = 1e-4
"""Loads within this share of the span stand for one another once there are more than `MOST_LOADS`."""


@dataclass
class LoadSteps:
    """Loads met so far, by setup (circuit and interface), and then their division into steps.

    A step of a setup is a load point of `load_points`: the same division that whole readings get, but for
    loads closer than `FINENESS` of the span.
    """

    loads: dict[str, Array] = field(default_factory=dict)
    edges: dict[str, Array] = field(default_factory=dict)

    def meet(self, setup: pd.Series[str], loads: Array) -> None:
        """Take note of the loads of a chunk, both (n,)."""
        for name, rows in setup.groupby(setup, sort=False).indices.items():
            known = self.loads.get(str(name), np.empty(0))
            met = loads[rows]
            self.loads[str(name)] = _thinned(np.union1d(known, met[np.isfinite(met)]))

    def close(self) -> None:
        """Divide the loads into steps: the edge between two lies midway between their nearest loads."""
        for name, loads in self.loads.items():
            last = np.flatnonzero(np.diff(load_points(loads)))
            self.edges[name] = 0.5 * (loads[last] + loads[last + 1])

    def of(self, setup: pd.Series[str], loads: Array) -> NDArray[np.intp]:
        """Step of each reading, (n,), counted from 0 within its setup."""
        steps = np.zeros(loads.size, dtype=np.intp)
        for name, rows in setup.groupby(setup, sort=False).indices.items():
            steps[rows] = np.searchsorted(self.edges[str(name)], loads[rows])
        return steps


def _thinned(loads: Array) -> Array:
    """Of ascending loads, the first and last of each cell of the span, once there are too many."""
    if loads.size <= MOST_LOADS:
        return loads
    cell = np.floor((loads - loads[0]) / (FINENESS * (loads[-1] - loads[0])))
    changed = np.flatnonzero(np.diff(cell))
    kept: Array = loads[np.unique(np.concatenate([[0], changed, changed + 1, [loads.size - 1]]))]
    return kept
