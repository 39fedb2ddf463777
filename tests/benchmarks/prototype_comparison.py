"""How often an unchanged prototype is called unusual, and a changed one: table of the comparison with a baseline.

Prototypes of the shipped gripper case are drawn by the engine with another seed than the baseline's units; prototypes
of a bench of six sensors are normal draws of their own. About 5 minutes of one core. From the root of the repository:

    PYTHONPATH=. python tests/benchmarks/prototype_comparison.py > tests/benchmarks/prototype_comparison.md
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import margin
from margin.bench import read_bench
from margin.diagnosis.baseline import Baseline, from_case
from margin.diagnosis.comparison import compared
from margin.diagnosis.figures import Figure, Shape, figures_of
from margin.diagnosis.prototype import prototypes_of
from margin.diagnosis.situation import as_designed
from margin.diagnosis.taken import take

Array = NDArray[np.float64]
FOLDER = Path(__file__).parents[2] / "cases" / "gripper_amplifier"
OPTIONS = ("none", "one point, 3 reloads", "two points, 2 reloads, thermometer")
PROTOTYPES, SEED = 1000, 2024
SENSORS, SAMPLES = 6, 4000

Change = Callable[[Array, Array], Array]
CHANGES: dict[str, Change] = {
    "unchanged": lambda indicated, loads: indicated,
    "5 % low at every load": lambda indicated, loads: 0.95 * indicated,
    "10 % low at every load": lambda indicated, loads: 0.90 * indicated,
    "20 % low at every load": lambda indicated, loads: 0.80 * indicated,
    "5 % low above 30 N": lambda indicated, loads: np.where(loads > 30.0, 0.95, 1.0) * indicated,
    "20 % low above 30 N": lambda indicated, loads: np.where(loads > 30.0, 0.80, 1.0) * indicated,
    "0.3 N more at every load": lambda indicated, loads: indicated + 0.3,
    "runs scatter by 5 % more": lambda indicated, loads: indicated * np.exp(
        0.05 * np.random.default_rng(3).standard_normal((len(indicated), indicated.shape[1], 1))
    ),
}  # fmt: skip


def of_case() -> None:
    """Share of prototypes called unusual, by calibration and change."""
    case = margin.load(FOLDER / "case.toml")
    like = prototypes_of(read_bench(FOLDER / "prototype.csv"))[0]
    like = dataclasses.replace(
        like, hold=None, shape=dataclasses.replace(like.shape, hold_load=None, hold_times=None)
    )
    print(f"## Against units drawn of the shipped gripper case, {PROTOTYPES} prototypes a row\n")
    print(
        "Two mountings of three runs over six loads, both branches. Share called unusual at 95 %, in percent.\n"
    )
    print("| prototype | " + " | ".join(f"calibration '{name}'" for name in OPTIONS) + " |")
    print("|---|" + "---|" * len(OPTIONS))
    shares: dict[str, list[str]] = {name: [] for name in CHANGES}
    for option in OPTIONS:
        base = from_case(case, like, option=option)
        assert base.plan is not None
        drawn = take(as_designed(case), base.plan, PROTOTYPES, SEED).runs
        for name, change in CHANGES.items():
            _, own = figures_of(like.shape, change(drawn, like.shape.loads))
            unusual = [not compared(dataclasses.replace(base, own=each)).nothing_unusual for each in own]
            shares[name].append(f"{100 * np.mean(unusual):.1f}")
    for name, cells in shares.items():
        print(f"| {name} | " + " | ".join(cells) + " |")


def of_bench() -> None:
    """Share of normal prototypes called unusual against six sensors, by the change of their first figure."""
    rng = np.random.default_rng(SEED)
    names = ("sensitivity", "exponent", "hysteresis", "zero", "creep")
    figures = tuple(Figure(name, "%", "") for name in names)
    shape = Shape(np.array([10.0]), np.zeros(1), np.zeros(1, dtype=np.intp), np.ones((1, 1), dtype=bool))
    root = np.linalg.cholesky(0.4 + 0.6 * np.eye(len(names)))
    none = np.zeros((1, 1))
    print(f"\n## Against {SENSORS} measured sensors, {SAMPLES} prototypes a row\n")
    print(
        "Five normal figures with correlations of 0.4; the first is changed. Share called unusual, in percent.\n"
    )
    print("| change, standard deviations | unusual |\n|---|---|")
    for change in (0.0, 2.0, 4.0, 8.0, 16.0):
        unusual = 0
        for _ in range(SAMPLES):
            drawn = rng.standard_normal((SENSORS + 1, len(names))) @ root.T
            drawn[0, 0] += change
            base = Baseline("bench", "", figures, drawn[0], drawn[1:], shape, none, None, none, (), ())
            unusual += not compared(base).nothing_unusual
        print(f"| {change:g} | {100 * unusual / SAMPLES:.1f} |")


if __name__ == "__main__":
    print("# Prototypes called unusual\n")
    print(f"Made by `prototype_comparison.py`, seed {SEED}; invented data.\n")
    of_case()
    of_bench()
