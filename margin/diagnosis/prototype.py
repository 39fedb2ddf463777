"""Readings of one prototype, from bench data to arrays over runs and steps."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from distributions.errors import InvalidArgument
from margin.bench.data import BenchData, at_points
from margin.bench.errors import NotMeasurableError
from margin.bench.merits.sweeps import SAME_TEMPERATURE, Hold, holds_of, usual_temperature, without_holds
from margin.bench.spreads import one_setup
from margin.diagnosis.figures import Shape

Array = NDArray[np.float64]

LEAST_HOLD = 3
"""Readings over time that tell a drift."""


@dataclass(frozen=True)
class Prototype:
    """Readings of one unit.

    label        'lot / sensor'
    values       (run, step), in `unit`; NaN where there is no reading
    hold         (time,), of its hold; None without one
    quantity     of the readings, as `BenchData` names it
    temperature  degC, usual one of its runs
    notes        what was assumed or set aside
    """

    label: str
    shape: Shape
    values: Array
    hold: Array | None
    quantity: str
    unit: str
    temperature: float
    source: str
    notes: tuple[str, ...] = ()

    def like(self, mountings: int, runs: int, steps: NDArray[np.intp], holds: bool) -> Prototype:
        """Only the first mountings, the first runs of each, and these steps."""
        chosen = [
            run
            for mounting in np.unique(self.shape.mounting)[:mountings]
            for run in np.flatnonzero(self.shape.mounting == mounting)[:runs]
        ]
        s = self.shape
        shape = Shape(
            s.loads[steps], s.descending[steps], np.unique(s.mounting[chosen], return_inverse=True)[1],
            s.present[np.ix_(chosen, steps)], s.hold_load if holds else None, s.hold_times if holds else None,
        )  # fmt: skip
        values = self.values[np.ix_(chosen, steps)]
        return dataclasses.replace(self, shape=shape, values=values, hold=self.hold if holds else None)


def prototypes_of(
    data: BenchData, *, circuit: str | None = None, interface: str | None = None
) -> list[Prototype]:
    """Every unit of the data, with one circuit and one interface (None: the first there is).

    Runs at another temperature than the usual one are set aside; of several holds the longest counts. Raises
    NotMeasurableError where a unit has no run of two loads or more.
    """
    if data.usable().empty:
        why = "; ".join(sorted(set(data.flags["kind"]))) or "the file is empty"
        raise NotMeasurableError(f"{data.source}: no reading can be used ({why}): check circuit and wiring")
    frame, said = one_setup(data.usable(), circuit, interface)
    frame = frame[frame["load_N"].notna()]
    if frame.empty:
        raise NotMeasurableError(
            f"{data.source}: no usable reading has a load: state the load of each reading"
        )
    points = at_points(frame)
    notes = (*data.notes, *said)
    return [
        _unit(" / ".join(map(str, who)), part, data, notes)
        for who, part in points.groupby(["lot", "sensor"], observed=True, sort=False)
    ]


def the_one(found: list[Prototype], source: str, sensor: str | None) -> Prototype:
    """The unit that is asked for; InvalidArgument where there are several and none is named, or none of that name."""
    names = [one.label.rpartition(" / ")[2] for one in found]
    if sensor is None:
        if len(found) > 1:
            raise InvalidArgument(
                f"{source}: holds {len(found)} sensors ({', '.join(names)}): name the prototype (sensor)"
            )
        return found[0]
    if sensor not in names:
        raise InvalidArgument(f"{source}: no sensor {sensor!r}; there are {', '.join(map(repr, names))}")
    return found[names.index(sensor)]


def _unit(label: str, points: pd.DataFrame, data: BenchData, notes: tuple[str, ...]) -> Prototype:
    taken = without_holds(points)
    keys = ["mounting", "run"]
    table = taken.pivot_table(
        index=keys, columns=["branch", "point_N"], values="output", aggfunc="mean", observed=True, sort=False
    )
    table = table[table.notna().sum(axis=1) >= 2]
    if table.empty:
        raise NotMeasurableError(
            f"{data.source}, {label}: no run has readings at two loads: read a cycle of several loads"
        )
    heat = taken.groupby(keys, observed=True, sort=False)["temperature_degC"].mean().reindex(table.index)
    usual = usual_temperature(heat.to_numpy(dtype=float))
    near = (heat - usual).abs() <= SAME_TEMPERATURE
    if not near.all():
        notes = (
            *notes,
            f"{int((~near).sum())} of {len(near)} runs are not at {usual:g} degC and are set aside",
        )
    table = table[near.to_numpy()].dropna(axis=1, how="all")
    there: list[tuple[str, float]] = [
        (str(column[0]), float(column[1])) for column in table.columns.to_list()
    ]
    ups = sorted(load for branch, load in there if branch == "up")
    downs = sorted((load for branch, load in there if branch == "down"), reverse=True)
    columns = [*(("up", load) for load in ups), *(("down", load) for load in downs)]
    values = np.column_stack([table[column].to_numpy(dtype=float) for column in columns])
    loads = np.array([load for _, load in columns], dtype=np.float64)
    if not (loads > 0.0).any():
        raise NotMeasurableError(f"{data.source}, {label}: no load above 0 N: load the unit")
    descending = np.array([float(branch == "down") for branch, _ in columns])
    mounting = np.asarray(pd.factorize(table.index.get_level_values("mounting"))[0], dtype=np.intp)
    hold = _longest([h for h in holds_of(points) if abs(h.temperature - usual) <= SAME_TEMPERATURE])
    shape = Shape(
        loads, descending, mounting, np.isfinite(values), None if hold is None else hold.load,
        None if hold is None else hold.time,
    )  # fmt: skip
    return Prototype(
        label, shape, values, None if hold is None else hold.output, data.quantity, data.unit, usual, data.source,
        notes,
    )  # fmt: skip


def _longest(holds: list[Hold]) -> Hold | None:
    """The hold over the most decades of time, of those with enough readings under load."""
    fit = [h for h in holds if h.load > 0.0 and len(h.time) >= LEAST_HOLD and np.ptp(np.log10(h.time)) > 0.3]
    return max(fit, key=lambda h: float(np.ptp(np.log10(h.time))), default=None)
