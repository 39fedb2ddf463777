"""The load cycles of one sensor as arrays over (cycle, load), and its holds for drift."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from margin.bench.data.stays import stays_of
from margin.bench.data.weights import column, means, readings

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
    """A stay at one load: time since the load was put on (n,), s, and output (n,).

    readings  (n,), readings that each value is the mean of; None: one each
    squares   (n,), sum of their squared deviations from it; None: 0
    """

    load: float
    time: NDArray[np.float64]
    output: NDArray[np.float64]
    temperature: float
    readings: NDArray[np.float64] | None = None
    squares: NDArray[np.float64] | None = None


def usual_temperature(heat: NDArray[np.float64]) -> float:
    """The median of the cycles' temperatures, degC; of two temperatures read equally often the lower one."""
    return float(np.quantile(heat, 0.5, method="lower"))


def sweeps_of(points: pd.DataFrame) -> Sweeps:
    """Cycles in readings of one sensor (as from `at_points`).

    Of each visit to a load the mean is taken, of a hold only the first reading. Runs that visit a single load
    are holds, not cycles.
    """
    taken = without_holds(points)
    cell = means(taken, ["mounting", "run", "branch", "point_N"], "output")
    table = cell.unstack("branch")
    table = table.reindex(columns=["up", "down"])
    visited = table.groupby(level=["mounting", "run"], observed=True, sort=False).size()
    cycles = visited[visited >= 2].index
    loads = np.sort(table.index.get_level_values("point_N").unique().to_numpy(dtype=float))
    heat = means(taken, ["mounting", "run"], "temperature_degC").reindex(cycles)
    up = np.full((len(cycles), loads.size), np.nan)
    down = up.copy()
    if len(cycles):
        up = _wide(table["up"], cycles, loads)
        down = _wide(table["down"], cycles, loads)
    mounting = (
        pd.factorize(cycles.get_level_values("mounting"))[0] if len(cycles) else np.zeros(0, dtype=np.intp)
    )
    temperature = np.asarray(heat, dtype=np.float64)
    return Sweeps(loads, up, down, np.asarray(mounting, dtype=np.intp), temperature)


def _wide(column: pd.Series[float], cycles: pd.Index[Any], loads: NDArray[np.float64]) -> NDArray[np.float64]:
    """(cycle, load) array of a column indexed by mounting, run and load."""
    table: pd.DataFrame = column.unstack("point_N")
    return table.reindex(index=cycles, columns=loads).to_numpy(dtype=float)


def without_holds(points: pd.DataFrame) -> pd.DataFrame:
    """Readings less those of a hold after its first."""
    if points.empty or points["time_s"].isna().all():
        return points
    stays = stays_of(points)
    return points[~stays.hold | stays.first]


def holds_of(points: pd.DataFrame) -> list[Hold]:
    """Holds in readings of one sensor, each with the time since the load was put on.

    A run at a single load counts its own time; within a cycle the time is counted from the last reading at
    the load before.
    """
    timed = points[points["time_s"].notna()]
    if timed.empty:
        return []
    stays = stays_of(timed)
    taken = np.flatnonzero(stays.hold & (stays.elapsed > 0))
    holds = []
    for rows in _split(taken[np.argsort(stays.number[taken], kind="stable")], stays.number):
        part, weight = timed.iloc[rows], readings(timed)[rows]
        heat = part["temperature_degC"].to_numpy(dtype=float)
        holds.append(
            Hold(
                float(part["point_N"].iloc[0]),
                stays.elapsed[rows],
                part["output"].to_numpy(dtype=float),
                float(weight @ heat / weight.sum()),
                weight,
                column(part, "squares"),
            )
        )
    return holds


def _split(rows: NDArray[np.intp], number: NDArray[np.intp]) -> list[NDArray[np.intp]]:
    """`rows`, ordered by their number, cut where it changes."""
    return np.split(rows, np.flatnonzero(np.diff(number[rows])) + 1) if rows.size else []
