"""Invented benches whose reload scatter depends on the load in a known way. All values invented."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

LOADS = np.array([1.0, 2.0, 4.0, 8.0, 16.0])
REFERENCE = 4.0
SENSITIVITY, EXPONENT = 10e-6, 0.85
SENSOR, MOUNTING = 0.06, 0.02
FULL = 2.0
"""mV/V of a bridge at the largest load."""


def film_scatter(load: NDArray[np.float64], size: float, exponent: float) -> NDArray[np.float64]:
    """Relative standard deviation of the conductance of a thin film from placement to placement."""
    return size * (load / REFERENCE) ** exponent


def bridge_scatter(load: NDArray[np.float64], zero: float, span: float) -> NDArray[np.float64]:
    """Standard deviation of the ratio of a bridge, of that at the largest load."""
    return np.sqrt(zero**2 + (span * load / LOADS[-1]) ** 2)


def scattered_bench(
    rng: np.random.Generator,
    scatter: NDArray[np.float64],
    *,
    kind: str = "thin film",
    sensors: int = 4,
    mountings: int = 2,
    cycles: int = 4,
    together: bool = False,
) -> pd.DataFrame:
    """Ascending cycles whose readings scatter by `scatter` (load,) from placement to placement.

    together  one draw moves all readings of a cycle; else each reading has its own
    """
    shape = (sensors, mountings, cycles, LOADS.size)
    own = rng.standard_normal((*shape[:3], 1) if together else shape)
    gain = (
        SENSOR * rng.standard_normal((sensors, 1, 1, 1))
        + MOUNTING * rng.standard_normal((sensors, mountings, 1, 1))
        + np.zeros(shape)
    )
    if kind == "thin film":
        column, output = "conductance_S", SENSITIVITY * (LOADS / REFERENCE) ** EXPONENT * np.exp(gain)
        output = output * (1.0 + scatter * own)
    else:
        column = "ratio_mV_per_V"
        output = FULL * (LOADS / LOADS[-1] * np.exp(0.1 * gain) + scatter * own)
    sensor, mounting, cycle, load = np.indices(shape).reshape(4, -1)
    return pd.DataFrame(
        {
            "sensor": sensor,
            "mounting": mounting,
            "run": cycle.astype(str),
            "branch": "up",
            "load_N": LOADS[load],
            column: output.ravel(),
        }
    )


def points_of(frame: pd.DataFrame) -> pd.DataFrame:
    """The bench as readings at load points, as `margin.bench.data.at_points` gives them."""
    column = "conductance_S" if "conductance_S" in frame else "ratio_mV_per_V"
    who = {"lot": "1", "circuit": "unstated", "interface": "unstated"}
    return frame.rename(columns={column: "output"}).assign(
        **who, time_s=np.nan, temperature_degC=25.0, point_N=frame["load_N"]
    )
