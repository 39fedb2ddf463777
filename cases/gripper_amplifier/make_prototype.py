"""Makes prototype.csv: invented readings of one finger, no measurement of any real sensor.

A finger was calibrated at two loads, then built into the gripper, where its puck rubs on the housing, which takes a
share of the load: the loads that the firmware reports fall short. Run from anywhere:

    python cases/gripper_amplifier/make_prototype.py
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

SEED = 7
LOADS = (0.0, 2.0, 5.0, 10.0, 20.0, 40.0, 60.0)
MOUNTINGS, RUNS = 2, 3
HOLD_LOAD, HOLD_TIMES = 10.0, (1.0, 3.0, 10.0, 30.0, 100.0, 300.0)
ROOM = 23.0

LOST = 0.18
"""Share of the load that the housing takes."""

DESIGNED = (18.0e-6, 0.843, 0.21e-6)
OWN = (18.6e-6, 0.85, 0.23e-6)
"""Conductance at 8 N, S, exponent, conductance without load, S: as the firmware counts on it, and of this sensor."""

REMOUNT, RELOAD, HYSTERESIS, DRIFT = 0.016, 0.014, 0.038, 0.02
CALIBRATION = (8.0, 50.0)
NOISE = 0.02
"""N."""


def conductance(load: float, quantities: tuple[float, float, float]) -> float:
    """Of the pad on the ascending branch, S."""
    at_reference, exponent, offset = quantities
    return offset + at_reference * (load / 8.0) ** exponent


def designed_load(found: float) -> float:
    """Load by the design curve, N."""
    at_reference, exponent, offset = DESIGNED
    return 8.0 * (max(found - offset, 0.0) / at_reference) ** (1.0 / exponent)


def through_housing(load: float) -> float:
    """Load that reaches the pad, N."""
    return (1.0 - LOST) * load


def rows(rng: np.random.Generator) -> list[tuple[object, ...]]:
    """Readings in the order they were taken."""
    seen = np.log([designed_load(conductance(load, OWN)) for load in CALIBRATION])
    slope, level = np.polyfit(seen, np.log(CALIBRATION), 1)
    result: list[tuple[object, ...]] = []

    def read(labels: tuple[object, ...], gain: float, load: float) -> None:
        offset = OWN[2]
        found = offset + gain * (conductance(through_housing(load), OWN) - offset)
        estimate = designed_load(found)
        reported = float(np.exp(level + slope * np.log(estimate))) if estimate > 0.0 else 0.0
        reported = max(reported + NOISE * rng.standard_normal(), 0.0)
        result.append((*labels, f"{load:g}", f"{ROOM:g}", f"{reported:.2f}"))

    for mounting in range(1, MOUNTINGS + 1):
        mounted = np.exp(REMOUNT * rng.standard_normal())
        for run in range(1, RUNS + 1):
            gain = mounted * np.exp(RELOAD * rng.standard_normal())
            time = 0
            for branch, loads in (("up", LOADS), ("down", LOADS[-2::-1])):
                for load in loads:
                    time += 2
                    share = load / LOADS[-1]
                    loop = 1 + HYSTERESIS * 4 * share * (1 - share) * (branch == "down")
                    read(("F1", mounting, run, branch, time), gain * loop, load)
        if mounting == 1:
            gain = mounted * np.exp(RELOAD * rng.standard_normal())
            for seconds in HOLD_TIMES:
                read(
                    ("F1", mounting, "hold", "up", f"{seconds:g}"),
                    gain * (1 + DRIFT * np.log10(seconds)),
                    HOLD_LOAD,
                )
    return result


def main() -> None:
    """Write prototype.csv beside this file."""
    path = Path(__file__).parent / "prototype.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(
            f"# Invented data, made by make_prototype.py with seed {SEED}: no real sensor was measured.\n"
        )
        writer = csv.writer(file, lineterminator="\n")
        names = "sensor mounting run branch time_s load_N temperature_degC output output_unit"
        writer.writerow(names.split())
        writer.writerows((*row, "N") for row in rows(np.random.default_rng(SEED)))


if __name__ == "__main__":
    main()
