"""Spreads of the sensors by level of variation, from bench data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from margin.bench.components import (
    Between,
    Component,
    Components,
    Correlation,
    UnitScatter,
    between_units,
    correlation,
    nested_components,
    scatter_by_unit,
)
from margin.bench.data import BenchData, at_points
from margin.bench.data.columns import SERIES
from margin.bench.data.counted import counted
from margin.bench.data.weights import means, readings, repeated_scatter
from margin.bench.errors import Lack, NotMeasurableError
from margin.bench.merits.merit import sd_interval
from margin.bench.merits.sweeps import SAME_TEMPERATURE, usual_temperature, without_holds

Kind = Literal["thin film", "strain-gauge bridge"]
LEVELS = ("lot", "sensor", "mounting")


@dataclass(frozen=True)
class Spreads:
    """Spreads of one circuit and interface.

    parameters   one row a cycle: its labels, temperature_degC and the parameters
    components   parameter -> components over lot, sensor, mounting, loading; ln_sensitivity is relative
    reading      relative scatter of repeated readings in one placement
    between      means and covariance of the parameters between sensors, scatter within taken off
    together     correlation of the sensors' mean parameters, None where it is not measurable
    reload       reload scatter of ln_sensitivity by sensor, None where it is not measurable
    notes        assumptions, and spreads not available
    """

    parameters: pd.DataFrame
    components: dict[str, Components]
    reading: Component
    between: Between | None
    together: Correlation | None
    reload: UnitScatter | None
    notes: tuple[str, ...]


def cycle_parameters(
    frame: pd.DataFrame, kind: Kind, reference_load: float | None = None
) -> tuple[pd.DataFrame, float]:
    """Parameters of each ascending branch, one row a cycle, and the reference load, N.

    thin film            ln_sensitivity = ln G(Fr) and exponent, line in logarithms; Fr defaults to the
                         geometric mean of the loads, where the two are hardly correlated
    strain-gauge bridge  ln_sensitivity = ln(slope) and zero, straight line

    frame  readings as from `at_points`. Raises NotMeasurableError where no cycle has two usable loads.
    """
    rows = without_holds(frame)
    rows = rows[rows["branch"] == "up"]
    if kind == "thin film":
        rows = rows[(rows["point_N"] > 0) & (rows["output"] > 0)]
    if rows.empty:
        raise NotMeasurableError("no ascending reading with load and output", "read the loads going up")
    loads = rows["point_N"].to_numpy(dtype=float)
    anchor = float(np.exp(np.average(np.log(loads), weights=readings(rows)))) if kind == "thin film" else 0.0
    anchor = anchor if reference_load is None else reference_load
    x = np.log(loads / anchor) if kind == "thin film" else loads - anchor
    y = rows["output"].to_numpy(dtype=float)
    y = np.log(y) if kind == "thin film" else y
    keys = rows.groupby(list(SERIES), observed=True, sort=False)
    group = keys.ngroup().to_numpy()
    weight = readings(rows)
    size = np.bincount(group, weight)
    x_mean, y_mean = np.bincount(group, weight * x) / size, np.bincount(group, weight * y) / size
    inner_x, inner_y = x - x_mean[group], y - y_mean[group]
    squares = np.bincount(group, weight * inner_x**2)
    known = squares > 0
    slope = np.bincount(group, weight * inner_x * inner_y) / np.where(known, squares, 1.0)
    level = y_mean - slope * x_mean
    table = means(rows, SERIES, "temperature_degC").reset_index()
    if kind == "thin film":
        table = table.assign(ln_sensitivity=level, exponent=slope)
    else:
        known &= slope != 0
        table = table.assign(ln_sensitivity=np.log(np.where(known, np.abs(slope), 1.0)), zero=level)
    if not known.any():
        raise NotMeasurableError("no ascending branch has two loads", "read several loads in each cycle")
    return table[known].reset_index(drop=True), anchor


def spreads_of(
    data: BenchData,
    kind: Kind,
    *,
    circuit: str | None = None,
    interface: str | None = None,
    reference_load: float | None = None,
    confidence: float = 0.95,
) -> Spreads:
    """Spreads of the sensors' parameters by level, for one circuit and one interface.

    circuit, interface  None: the first in the data, said in the notes where there are several
    A thin film's output must be a conductance (see `BenchData.converted`). Cycles more than 2 degC off the
    median temperature are left out. Raises NotMeasurableError where there is nothing to estimate from,
    ValueError for an output that is no conductance.
    """
    if kind == "thin film" and data.quantity != "conductance":
        raise ValueError(
            f"a thin film is characterised by its conductance, the output is a {data.quantity} "
            f"({data.unit}): turn it into one with BenchData.converted and the circuit's equation"
        )
    frame, notes = one_setup(data.usable(), circuit, interface)
    points = at_points(frame)
    points = points[points["load_N"].notna()]
    table, anchor = cycle_parameters(points, kind, reference_load)
    heat = table["temperature_degC"].to_numpy(dtype=float)
    usual = np.abs(heat - usual_temperature(heat)) <= SAME_TEMPERATURE
    if not usual.all():
        notes.append(f"left out: {counted(int((~usual).sum()), 'cycle')} at another temperature")
    table = table[usual].reset_index(drop=True)
    second = "exponent" if kind == "thin film" else "zero"
    if kind == "thin film":
        notes.append(f"sensitivity stated at {anchor:.4g} N")
    names = ("ln_sensitivity", second)
    labels = {level: table[level].astype(str).to_numpy() for level in LEVELS}
    components = {
        name: nested_components(table[name].to_numpy(), labels, residual="loading", confidence=confidence)
        for name in names
    }
    for name, found in components.items():
        notes += [_of_level(name, c) for c in found.components if not c.measured]
    sensor = table.groupby(["lot", "sensor"], observed=True, sort=False).ngroup().to_numpy()
    values = table[list(names)].to_numpy(dtype=float)
    between, together = None, None
    try:
        between = between_units(values, sensor, names)
        means = np.stack([np.bincount(sensor, column) / np.bincount(sensor) for column in values.T], axis=1)
        together = correlation(means[:, 0], means[:, 1], names, confidence)
    except NotMeasurableError as error:
        notes.append(str(error))
    reload: UnitScatter | None = None
    try:
        mounting = table["mounting"].astype(str).to_numpy()
        reload = scatter_by_unit(values[:, 0], sensor, mounting, confidence)
    except NotMeasurableError as error:
        notes.append(str(error))
    return Spreads(table, components, _reading(points, confidence), between, together, reload, tuple(notes))


def _of_level(name: str, component: Component) -> Lack:
    """What a level of a parameter lacks."""
    return Lack(f"{name}, {component.level}: {component.note}")


def one_setup(
    frame: pd.DataFrame, circuit: str | None, interface: str | None
) -> tuple[pd.DataFrame, list[str]]:
    """Readings with one circuit and interface (None: the first there is), and notes where others are left."""
    notes = []
    for column, wanted in (("circuit", circuit), ("interface", interface)):
        there = [str(name) for name in frame[column].unique()]
        chosen = there[0] if wanted is None and there else wanted
        if chosen not in there:
            raise NotMeasurableError(f"no usable readings with {column} {wanted!r}; there are {there}")
        if wanted is None and len(there) > 1:
            notes.append(f"{column} '{chosen}' taken, of {', '.join(there)}")
        frame = frame[frame[column] == chosen]
    return frame, notes


def _reading(points: pd.DataFrame, confidence: float) -> Component:
    """Relative scatter of repeated readings within one placement, pooled over loads."""
    single = without_holds(points)
    single = single[single["output"] != 0]
    count = round(float(readings(single).sum()))
    squares, dof = repeated_scatter(single, [*SERIES, "branch", "point_N"], relative=True)
    if dof < 1:
        note = Lack("one reading in each placement", "take ten in a row")
        return Component("reading", None, None, None, None, None, 0.0, count, False, note)
    sd = float(np.sqrt(squares / dof))
    low, high = sd_interval(sd, dof, confidence)
    return Component("reading", sd**2, sd, low, high, None, float(dof), count, False, "")
