"""Makes bench.csv: an invented bench of the gripper's pad, no measurement of any real sensor.

Six sensors, each mounted three times under each of two load concentrators and read by two circuits without
remounting; five cycles of eight loads up and down; one hold; two temperatures. Run from anywhere:

    python cases/gripper_amplifier/make_bench.py
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

SEED = 52
"""Chosen so that the six sensors are much like what they were drawn from: the case tells no rare mishap."""
SENSORS, MOUNTINGS, CYCLES = 6, 3, 5
LOADS = (0.0, 1.0, 2.0, 4.0, 8.0, 12.0, 16.0, 20.0)
HOLD_LOAD, HOLD_TIMES = 12.0, (1.0, 3.0, 10.0, 30.0, 100.0, 300.0, 1000.0)
ROOM, WARM = 23.0, 60.0

SENSITIVITY, EXPONENT, OFFSET = 40e-6, 0.85, 0.2e-6
"""Conductance at 20 N, S; exponent; conductance without load, S."""
UNIT, UNIT_EXPONENT, UNIT_OFFSET, TOGETHER = 0.08, 0.015, 0.05e-6, 0.3
"""Standard deviations between sensors: of ln(sensitivity), of the exponent, of the offset, S; and the correlation of
the first two."""
REMOUNT, RELOAD = 0.02, 0.015
"""Relative standard deviations."""
HYSTERESIS, DRIFT, TEMPERATURE = (0.04, 0.006), (0.02, 0.003), (-0.002, 0.0004)
"""Mean and standard deviation between sensors: relative excess at half load going down; per decade of time from 1 s;
per K."""
CONCENTRATORS = {"silicone": 1.00, "polyamide": 1.05}
"""Relative sensitivity under either material."""
NOISE, CONVERTER_STEP = 0.3e-3, 1e-4
"""V."""


def amplifier(conductance: float) -> float:
    """Inverting amplifier: drive 1.0 V, feedback 56 kohm."""
    return 1.0 * 56e3 * conductance


def divider(conductance: float) -> float:
    """Voltage divider: supply 3.0 V, 27 kohm to ground."""
    return 3.0 * 27e3 * conductance / (1 + 27e3 * conductance)


CIRCUITS = {"amplifier": amplifier, "divider": divider}


def rows(rng: np.random.Generator) -> list[tuple[object, ...]]:
    """Readings in the order they were taken."""
    result: list[tuple[object, ...]] = []

    def read(labels: tuple[object, ...], gain: float, load: float, circuit: str) -> None:
        voltage = CIRCUITS[circuit](gain * SENSITIVITY * (load / 20) ** exponent + offset)
        steps = round((voltage + NOISE * rng.standard_normal()) / CONVERTER_STEP)
        result.append((*labels, f"{load:g}", f"{temperature:g}", f"{max(steps, 0) * CONVERTER_STEP:.4f}"))

    for sensor in range(1, SENSORS + 1):
        first, second = rng.standard_normal(2)
        unit = np.exp(UNIT * first)
        exponent = EXPONENT + UNIT_EXPONENT * (TOGETHER * first + np.sqrt(1 - TOGETHER**2) * second)
        offset = max(OFFSET + UNIT_OFFSET * rng.standard_normal(), 0.0)
        hysteresis, drift, warming = (
            mean + sd * rng.standard_normal() for mean, sd in (HYSTERESIS, DRIFT, TEMPERATURE)
        )
        for interface, transfer in CONCENTRATORS.items():
            for mounting in range(1, MOUNTINGS + 1):
                mounted = unit * transfer * np.exp(REMOUNT * rng.standard_normal())
                who = ("L1", f"S{sensor}", mounting)
                for circuit in CIRCUITS:
                    plan = [(ROOM, cycle) for cycle in range(1, CYCLES + 1)]
                    warmed = interface == "silicone" and circuit == "amplifier"
                    if warmed:
                        plan += [(WARM, CYCLES + cycle) for cycle in range(1, CYCLES + 1)]
                    for temperature, cycle in plan:
                        gain = mounted * np.exp(RELOAD * rng.standard_normal())
                        gain *= 1 + warming * (temperature - ROOM)
                        time = 0
                        for branch, loads in (("up", LOADS), ("down", LOADS[-2::-1])):
                            for load in loads:
                                time += 2
                                share = load / LOADS[-1]
                                loop = 1 + hysteresis * 4 * share * (1 - share) * (branch == "down")
                                labels = (*who, circuit, interface, cycle, branch, time)
                                read(labels, gain * loop, load, circuit)
                    if warmed and mounting == 1:
                        temperature = ROOM
                        gain = mounted * np.exp(RELOAD * rng.standard_normal())
                        for seconds in HOLD_TIMES:
                            labels = (*who, circuit, interface, "hold", "up", f"{seconds:g}")
                            read(labels, gain * (1 + drift * np.log10(seconds)), HOLD_LOAD, circuit)
    return result


def main() -> None:
    """Write bench.csv beside this file."""
    path = Path(__file__).parent / "bench.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(f"# Invented data, made by make_bench.py with seed {SEED}: no real sensor was measured.\n")
        writer = csv.writer(file, lineterminator="\n")
        names = "lot sensor mounting circuit interface run branch time_s load_N temperature_degC voltage_V"
        writer.writerow(names.split())
        writer.writerows(rows(np.random.default_rng(SEED)))


if __name__ == "__main__":
    main()
