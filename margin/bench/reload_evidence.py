"""What a bench shows of its reload scatter: deviations of repeated cycles, or residuals of single cycles."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from margin.bench.data.columns import SERIES
from margin.bench.data.weights import means
from margin.bench.errors import NotMeasurableError
from margin.bench.merits.sweeps import without_holds
from margin.bench.spreads import Kind

Array = NDArray[np.float64]

HIDDEN = 0.5
"""Share of the variance at a load that may be scatter of the zero before the load is left out."""


@dataclass(frozen=True)
class Cycles:
    """Outputs of ascending branches, (cycle, load), NaN where none was read.

    values  ln of the conductance (thin film), output as a share of that at the anchor (bridge)
    sensor, mounting  (cycle,), numbers; names of the sensors
    zero    (load,), variance of the values by the scatter of the zero
    """

    loads: Array
    values: Array
    sensor: NDArray[np.intp]
    mounting: NDArray[np.intp]
    zero: Array
    names: NDArray[np.object_]


@dataclass(frozen=True)
class Evidence:
    """What the fit needs, whatever the source.

    variance   ln variances relative to size^2, (load,) -> sum of squares by sensor in units of size^2, (sensor,), and
               the terms of the deviance that do not depend on the size
    dof        (sensor,), degrees of freedom
    squares, at_load  (load,), sum of squares and degrees of freedom at each load
    spread     (load, load), covariance of the relative errors of the variances
    """

    loads: Array
    variance: Callable[[Array], tuple[Array, float]]
    dof: Array
    names: NDArray[np.object_]
    squares: Array
    at_load: Array
    spread: Array


def cycles_of(net: pd.DataFrame, kind: Kind, anchor: float, zero_sd: float) -> Cycles:
    rows = without_holds(net)
    rows = rows[rows["branch"] == "up"]
    if kind == "thin film":
        rows = rows[(rows["point_N"] > 0) & (rows["output"] > 0)]
    if rows.empty:
        raise NotMeasurableError("no ascending reading with load and output", "read the loads going up")
    table = means(rows, [*SERIES, "point_N"], "output").unstack("point_N").sort_index(axis=1)
    values, loads = table.to_numpy(dtype=float), table.columns.to_numpy(dtype=float)
    index = table.index.to_frame(index=False).astype(str)
    sensor, names = pd.factorize(index["lot"] + " / " + index["sensor"])
    mounting = pd.factorize(index["lot"] + " / " + index["sensor"] + " / " + index["mounting"])[0]
    zero = np.zeros(loads.size)
    if kind == "thin film":
        zero = (zero_sd / np.nanmean(values, axis=0)) ** 2
        values = np.log(values)
    else:
        values = values / np.nanmean(values[:, -1]) * (loads[-1] / anchor)
    return Cycles(loads, values, sensor, mounting, zero, np.asarray(names, dtype=object))


def repeated(cycles: Cycles) -> Evidence | None:
    """Deviations of cycles from the mean of their mounting at each load; None where no mounting has two cycles."""
    read = np.isfinite(cycles.values)
    filled = np.where(read, cycles.values, 0.0)
    groups = int(cycles.mounting.max()) + 1
    count, total = np.zeros((groups, cycles.loads.size)), np.zeros((groups, cycles.loads.size))
    np.add.at(count, cycles.mounting, read)
    np.add.at(total, cycles.mounting, filled)
    mean = total / np.maximum(count, 1.0)
    size = count[cycles.mounting]
    usable = read & (size > 1)
    deviation = np.where(usable, filled - mean[cycles.mounting], 0.0)
    sensors = cycles.names.size
    freedom, squares = np.zeros((sensors, cycles.loads.size)), np.zeros((sensors, cycles.loads.size))
    # each deviation holds 1 - 1 / n of a degree of freedom
    np.add.at(freedom, cycles.sensor, np.where(usable, 1.0 - 1.0 / np.maximum(size, 1.0), 0.0))
    np.add.at(squares, cycles.sensor, deviation**2)
    nu = freedom.sum(axis=0)
    gross = squares.sum(axis=0) / np.maximum(nu, 1e-300)
    kept = (nu > 0.5) & ~(cycles.zero > HIDDEN * gross)
    if not kept.any():
        kept = nu > 0.5
    if not kept.any():
        return None
    clear = squares - freedom * np.where(cycles.zero > HIDDEN * gross, 0.0, cycles.zero)
    clear, freedom, nu = clear[:, kept], freedom[:, kept], nu[kept]
    scatter = deviation[:, kept].T @ deviation[:, kept]
    diagonal = np.sqrt(np.maximum(np.diag(scatter), 1e-300))
    common = np.sqrt(np.outer(nu, nu))
    square = (scatter / np.outer(diagonal, diagonal)) ** 2
    # a squared correlation of nu independent pairs is 1 / nu on average
    square = np.clip((common * square - 1.0) / np.maximum(common - 1.0, 0.5), 0.0, 1.0)
    np.fill_diagonal(square, 1.0)

    def variance(logs: Array) -> tuple[Array, float]:
        return (clear * np.exp(-logs)).sum(axis=1), float(nu @ logs)

    spread = 2.0 * square / common
    return Evidence(
        cycles.loads[kept], variance, freedom.sum(axis=1), cycles.names, clear.sum(axis=0), nu, spread
    )


def residuals(cycles: Cycles, kind: Kind, anchor: float) -> Evidence:
    """Residuals of each cycle about its own straight line, of logarithms for a thin film."""
    x = np.log(cycles.loads / anchor) if kind == "thin film" else cycles.loads / anchor
    read = np.isfinite(cycles.values)
    enough = read.sum(axis=1) > 2
    if not enough.any():
        raise NotMeasurableError("one cycle of each mounting and two loads or fewer", "repeat the cycles")
    y, mask = np.where(read, cycles.values, 0.0)[enough], read[enough]
    sensor = cycles.sensor[enough]
    sensors = cycles.names.size

    def lines(logs: Array) -> tuple[Array, Array, Array, Array]:
        weight = mask * np.exp(-logs)
        total = weight.sum(axis=1)
        centre = (weight @ x) / total
        offset = x - centre[:, None]
        inner = (weight * offset**2).sum(axis=1)
        level = (weight * y).sum(axis=1) / total
        slope = (weight * offset * y).sum(axis=1) / inner
        rest = np.where(mask, y - level[:, None] - slope[:, None] * offset, 0.0)
        lever = np.where(mask, 1.0 - weight * (1.0 / total[:, None] + offset**2 / inner[:, None]), 0.0)
        return rest, weight, total * inner, lever

    def variance(logs: Array) -> tuple[Array, float]:
        rest, weight, determinant, _ = lines(logs)
        terms = float((mask * logs).sum() + np.log(determinant).sum())
        return np.bincount(sensor, (weight * rest**2).sum(axis=1), minlength=sensors).astype(float), terms

    rest, _, _, lever = lines(np.zeros(x.size))
    freedom = np.bincount(sensor, mask.sum(axis=1) - 2.0, minlength=sensors).astype(float)
    nu = lever.sum(axis=0)
    return Evidence(
        cycles.loads, variance, freedom, cycles.names, (rest**2).sum(axis=0), nu,
        np.diag(2.0 / np.maximum(nu, 1e-9)),
    )  # fmt: skip
