"""The load cycles of one sensor as arrays over (cycle, load), and its holds for drift."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

HOLD_READINGS = 4
HOLD_RATIO = 3.0
"""A hold is a stay at one load with this many readings, the last this many times later than the first."""

SAME_TEMPERATURE = 2.0
"""degC by which a run may differ from the usual temperature and still count as taken at it."""


@dataclass(frozen=True)
class Sweeps:
    """Cycles of one sensor with one circuit and interface.

    loads        (l,), N, ascending load points
    up, down     (c, l), output on either branch; NaN where there is no reading
    mounting     (c,), number of the mounting of each cycle, from 0
    temperature  (c,), degC, mean of each cycle
    """

    loads: NDArray[np.float64]
    up: NDArray[np.float64]
    down: NDArray[np.float64]
    mounting: NDArray[np.intp]
    temperature: NDArray[np.float64]

    @property
    def cycles(self) -> int:
        return int(self.up.shape[0])

    @property
    def mountings(self) -> int:
        return len(set(self.mounting.tolist()))

    @property
    def blocks(self) -> NDArray[np.intp]:
        """(c,), what is independent: mountings if there are three or more, else cycles."""
        return self.mounting if self.mountings >= 3 else np.arange(self.cycles)

    @property
    def has_zero(self) -> bool:
        return self.loads.size > 0 and bool(abs(self.loads[0]) <= 1e-9 * abs(self.loads[-1]))

    def take(self, chosen: NDArray[np.bool_] | NDArray[np.intp]) -> Sweeps:
        """The cycles chosen."""
        return Sweeps(
            self.loads, self.up[chosen], self.down[chosen], self.mounting[chosen], self.temperature[chosen]
        )


@dataclass(frozen=True)
class Hold:
    """A stay at one load: time since the load was put on (n,), s, and output (n,)."""

    load: float
    time: NDArray[np.float64]
    output: NDArray[np.float64]
    temperature: float


def sweeps_of(points: pd.DataFrame) -> Sweeps:
    """Cycles in readings of one sensor (as from `at_points`).

    Of each visit to a load the mean is taken, of a hold only the first reading. Runs that visit a single load
    are holds, not cycles.
    """
    taken = without_holds(points)
    cell = taken.groupby(["mounting", "run", "branch", "point_N"], observed=True, sort=False)["output"].mean()
    table = cell.unstack("branch")
    table = table.reindex(columns=["up", "down"])
    visited = table.groupby(level=["mounting", "run"], observed=True, sort=False).size()
    cycles = visited[visited >= 2].index
    loads = np.sort(table.index.get_level_values("point_N").unique().to_numpy(dtype=float))
    heat = taken.groupby(["mounting", "run"], observed=True, sort=False)["temperature_degC"].mean()
    up = np.full((len(cycles), loads.size), np.nan)
    down = up.copy()
    if len(cycles):
        up = _wide(table["up"], cycles, loads)
        down = _wide(table["down"], cycles, loads)
    mounting = (
        pd.factorize(cycles.get_level_values("mounting"))[0] if len(cycles) else np.zeros(0, dtype=np.intp)
    )
    return Sweeps(
        loads, up, down, np.asarray(mounting, dtype=np.intp), heat.reindex(cycles).to_numpy(dtype=float)
    )


def _wide(column: pd.Series[float], cycles: pd.Index[Any], loads: NDArray[np.float64]) -> NDArray[np.float64]:
    """(cycle, load) array of a column indexed by mounting, run and load."""
    table: pd.DataFrame = column.unstack("point_N")
    return table.reindex(index=cycles, columns=loads).to_numpy(dtype=float)


def without_holds(points: pd.DataFrame) -> pd.DataFrame:
    """Readings less those of a hold after its first."""
    return points[~_later_in_hold(points)]


def holds_of(points: pd.DataFrame) -> list[Hold]:
    """Holds in readings of one sensor, each with the time since the load was put on.

    A run at a single load counts its own time; within a cycle the time is counted from the last reading at
    the load before.
    """
    holds = []
    for _, run in points[points["time_s"].notna()].groupby(["mounting", "run"], observed=True, sort=False):
        for rows, onset in _stays(run):
            time = run["time_s"].to_numpy(dtype=float)[rows] - onset
            rows, time = rows[time > 0], time[time > 0]
            if _is_hold(time):
                holds.append(
                    Hold(
                        float(run["point_N"].iloc[rows[0]]),
                        time,
                        run["output"].to_numpy(dtype=float)[rows],
                        float(run["temperature_degC"].to_numpy(dtype=float)[rows].mean()),
                    )
                )
    return holds


def _is_hold(time: NDArray[np.float64]) -> bool:
    return time.size >= HOLD_READINGS and bool(time.max() >= HOLD_RATIO * time.min())


def _stays(run: pd.DataFrame) -> list[tuple[NDArray[np.intp], float]]:
    point = run["point_N"].to_numpy(dtype=float)
    time = run["time_s"].to_numpy(dtype=float)
    starts = np.flatnonzero(np.append(True, np.diff(point) != 0))
    ends = np.append(starts[1:], point.size)
    return [
        (np.arange(start, end), 0.0 if start == 0 else float(time[start - 1]))
        for start, end in zip(starts, ends, strict=True)
    ]


def _later_in_hold(points: pd.DataFrame) -> NDArray[np.bool_]:
    """Readings of a hold after its first."""
    later = np.zeros(len(points), dtype=bool)
    if points["time_s"].isna().all():
        return later
    for rows in points.groupby(["mounting", "run"], observed=True, sort=False).indices.values():
        run = points.iloc[rows]
        for stay, onset in _stays(run):
            time = run["time_s"].to_numpy(dtype=float)[stay] - onset
            if np.isfinite(time).all() and _is_hold(time[time > 0]):
                later[rows[stay[1:]]] = True
    return later
