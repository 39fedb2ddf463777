"""A long invented bench file: few stays, as many readings in each as wanted. All values invented."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd

LOADS = (0.0, 2.0, 5.0, 10.0, 15.0, 20.0)
SENSORS, MOUNTINGS, RUNS = 4, 2, 3
STAYS = SENSORS * MOUNTINGS * RUNS * (2 * len(LOADS) - 1)
FEEDBACK = 47e3


def stays(rng: np.random.Generator) -> Iterator[tuple[dict[str, object], float, float, bool]]:
    """Labels, load (N), conductance (S) and whether it is a hold, of each stay in the order it was read."""
    for sensor in range(SENSORS):
        unit = np.exp(0.08 * rng.standard_normal())
        for mounting in range(MOUNTINGS):
            mounted = unit * np.exp(0.02 * rng.standard_normal())
            for run in range(RUNS):
                gain = mounted * np.exp(0.01 * rng.standard_normal())
                for branch, loads in (("up", LOADS), ("down", LOADS[-2::-1])):
                    for load in loads:
                        loop = 1 + 0.16 * (load / 20) * (1 - load / 20) * (branch == "down")
                        labels = {"sensor": f"S{sensor}", "mounting": mounting, "run": run, "branch": branch}
                        yield labels, load, 0.2e-6 + 25e-6 * gain * loop * (load / 20) ** 0.9, False
            labels = {"sensor": f"S{sensor}", "mounting": mounting, "run": "hold", "branch": "up"}
            yield labels, 20.0, 25e-6 * mounted, True


def write_long_bench(
    path: Path,
    readings: int,
    seed: int = 1,
    columns: tuple[str, ...] = ("sensor", "mounting", "run", "branch", "time_s", "load_N"),
    load_noise: float = 0.004,
) -> int:
    """Write `readings` readings of a stay (ten times as many of a hold); how many rows there are.

    A dwell is read within a fifth of the time that the load before took; a hold from 1 s to 1000 s. `load_noise` in N.
    """
    rng = np.random.default_rng(seed)
    rows, begun, series = 0, 0.0, None
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write("# Invented data: no real sensor was measured.\n")
        file.write(",".join([*columns, "temperature_degC", "voltage_V"]) + "\n")
        for labels, load, conductance, hold in stays(rng):
            if (labels["sensor"], labels["mounting"], labels["run"]) != series:
                series, begun = (labels["sensor"], labels["mounting"], labels["run"]), 0.0
            count = readings * (10 if hold else 1)
            share = np.arange(1, count + 1) / count
            time = 1000.0**share if hold else begun + 2.0 + 0.4 * share
            drift = 1 + 0.02 * np.log10(time) if hold else 1.0
            begun = float(time[-1])
            noise = rng.standard_normal((3, count))
            met = load + (load_noise * noise[0] if load else 0.0)
            slope = 22e-6 / 20 * (met - load)
            voltage = FEEDBACK * (conductance * drift + slope) + 0.2e-3 * noise[1]
            frame = pd.DataFrame({**labels, "time_s": np.round(time, 4), "load_N": np.round(met, 4)})
            frame = frame[list(columns)]
            frame["temperature_degC"] = np.round(23 + 0.2 * noise[2], 2)
            frame["voltage_V"] = np.round(voltage, 6)
            frame.to_csv(file, index=False, header=False)
            rows += count
    return rows
