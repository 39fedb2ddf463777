"""Small invented benches for the tests: every number is made up by a seeded generator and stands for no real part."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

LOADS = (0.0, 1.0, 2.0, 5.0, 10.0, 20.0)
SENSITIVITY, EXPONENT, OFFSET = 40e-6, 0.85, 0.2e-6


def bench_frame(
    *,
    sensors: int = 4,
    mountings: int = 2,
    cycles: int = 3,
    down: bool = True,
    loads: tuple[float, ...] = LOADS,
    circuits: tuple[str, ...] = ("amplifier",),
    interfaces: tuple[str, ...] = ("silicone",),
    column: str = "conductance_S",
    turned: Callable[[float], float] = float,
    warm: bool = False,
    hold: bool = False,
) -> pd.DataFrame:
    """Power-law sensors: 8 % between sensors, 2 % between mountings, 1 % between cycles, loop of 4 %.

    Each further interface reads 10 % higher; a hold and warm cycles are those of the first setup. `turned` makes the
    column's value of a conductance (S).
    """
    rng = np.random.default_rng(1)
    rows: list[dict[str, object]] = []
    for sensor in range(sensors):
        unit = np.exp(0.08 * rng.standard_normal())
        for place, interface in enumerate(interfaces):
            for mounting in range(mountings):
                mounted = unit * (1 + 0.1 * place) * np.exp(0.02 * rng.standard_normal())
                for circuit in circuits:
                    who = {
                        "lot": "L", "sensor": f"S{sensor}", "mounting": mounting, "circuit": circuit,
                        "interface": interface,
                    }  # fmt: skip
                    first = (circuit, interface) == (circuits[0], interfaces[0])
                    for run in range(cycles * (2 if warm and first else 1)):
                        heat = 23.0 if run < cycles else 45.0
                        gain = mounted * np.exp(0.01 * rng.standard_normal()) * (1 - 0.002 * (heat - 23.0))
                        for branch, each in (("up", loads), ("down", loads[-2::-1] if down else ())):
                            for load in each:
                                share = load / loads[-1]
                                loop = 1 + 0.04 * (branch == "down") * 4 * share * (1 - share)
                                value = gain * loop * SENSITIVITY * (load / 20) ** EXPONENT + OFFSET
                                value += 1e-9 * rng.standard_normal()
                                rows.append(
                                    {**who, "run": run, "branch": branch, "load_N": load, "temperature_degC": heat,
                                     "time_s": np.nan, column: turned(value)}
                                )  # fmt: skip
                    if hold and first and mounting == 0:
                        for seconds in (1.0, 3.0, 10.0, 30.0, 100.0, 300.0, 1000.0):
                            value = mounted * SENSITIVITY * (1 + 0.02 * np.log10(seconds))
                            rows.append(
                                {**who, "run": "hold", "branch": "up", "load_N": 20.0, "temperature_degC": 23.0,
                                 "time_s": seconds, column: turned(value)}
                            )  # fmt: skip
    return pd.DataFrame(rows)
