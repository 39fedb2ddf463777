"""Load points: readings at nominally the same load, brought to that load."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from margin.bench.data.weights import column, readings

TOLERANCE = 0.005
"""Share of the span by which loads of one load point may lie apart from their neighbours."""


def load_points(loads: NDArray[np.float64], tolerance: float = TOLERANCE) -> NDArray[np.intp]:
    """Number (from 0, by rising load) of the load point of each reading; shapes (n,).

    Sorted loads that follow one another by less than `tolerance` of the span share a point. Where a point
    made so is wider than five tolerances (a continuous ramp), the range is divided evenly instead, one point
    every four tolerances.
    """
    if loads.size == 0:
        return np.zeros(0, dtype=np.intp)
    values, back = np.unique(loads, return_inverse=True)
    span = values[-1] - values[0]
    if span == 0:
        return np.zeros(loads.size, dtype=np.intp)
    point = np.cumsum(np.append(0, np.diff(values) > tolerance * span))
    widths = np.zeros(point[-1] + 1)
    np.maximum.at(widths, point, values - values[np.searchsorted(point, point)])
    if widths.max() > 5 * tolerance * span:
        cells = np.rint((values - values[0]) / (4 * tolerance * span)).astype(np.intp)
        point = np.unique(cells, return_inverse=True)[1]
    result: NDArray[np.intp] = point[back]
    return result


def at_points(frame: pd.DataFrame, tolerance: float = TOLERANCE) -> pd.DataFrame:
    """`frame` with point_N (mean load of each point) and the output brought to it along the local slope.

    output(point) = output - slope * (load - point); the slope is that of the mean curve between the
    neighbouring points, so that a load that was not quite met does not count as scatter of the sensor.
    A condensed frame keeps the points that it was condensed by (column step), and the scatter inside its
    rows is brought to the load too.
    """
    loads = frame["load_N"].to_numpy(dtype=float)
    outputs = frame["output"].to_numpy(dtype=float)
    if "step" in frame:
        number = np.unique(frame["step"].to_numpy(), return_inverse=True)[1]
    else:
        number = load_points(loads, tolerance)
    weight = readings(frame)
    centre = np.bincount(number, weight * loads) / np.bincount(number, weight)
    offset = loads - centre[number]
    near_zero = np.abs(centre) < 1e-12 * max(1.0, float(np.abs(loads).max(initial=0.0)))
    centre[near_zero] = 0.0
    if centre.size > 1 and np.any(offset != 0):
        slopes = _slopes(frame, number, outputs, centre)
        outputs = outputs - slopes * offset
        if "squares" in frame:
            moved = slopes**2 * column(frame, "load_squares") - 2 * slopes * column(frame, "products")
            frame = frame.assign(squares=np.maximum(column(frame, "squares") + moved, 0.0))
    return frame.assign(point_N=centre[number], output=outputs)


def _slopes(
    frame: pd.DataFrame, number: NDArray[np.intp], outputs: NDArray[np.float64], centre: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Slope of each sensor's own mean curve at each reading's point."""
    slopes, weight = np.zeros(outputs.size), readings(frame)
    keys = ["lot", "sensor", "circuit", "interface"]
    for rows in frame.groupby(keys, observed=True, sort=False).indices.values():
        points, back = np.unique(number[rows], return_inverse=True)
        if points.size > 1:
            mean = np.bincount(back, weight[rows] * outputs[rows]) / np.bincount(back, weight[rows])
            slopes[rows] = np.gradient(mean, centre[points])[back]
    return slopes
