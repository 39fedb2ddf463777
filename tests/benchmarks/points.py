"""What better points bring: `python tests/benchmarks/points.py`.

Ratio of root-mean-square errors, random draws over Latin hypercubes and scrambled Sobol points at equal cost, of the
yield at every check point and of the 97.5 percentile of the error at the largest load: 30 studies each, of a smooth
case of three parts of the unit and of every option of the shipped gripper with what is not known left out. Above 1
the points are better; a ratio of 30 against 30 studies is itself good to a fifth or so (one standard deviation).
Not run by pytest.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from margin.backends.run import run
from margin.case import Case, load_case, read_case, with_changes
from margin.propagation.histogram import quantile
from margin.propagation.run_result import RunResult

REPEATS = 30
KINDS = ("random", "latin", "sobol")
GRIPPER = Path(__file__).parents[2] / "cases" / "gripper_amplifier" / "case.toml"
KNOWN = {
    "sensor.sensitivity": "40 uS +/- 8 % (2 sigma) per lot, +/- 16 % (2 sigma) per unit",
    "sensor.exponent": "0.85 +/- 0.03 (2 sigma) per unit",
    "station.reference_gain": None,
}
SMOOTH = """
[case]
unstated = "zero"
[load]
range = "2 N to 60 N"
check = ["2 N", "60 N"]
[requirement]
permissible_error = "6 % of reading"
[sensor]
kind = "thin film"
sensitivity = "4 uS +/- 4 % (2 sigma)"
reference_load = "20 N"
exponent = "0.9 +/- 0.02 (2 sigma)"
[circuit]
kind = "inverting amplifier"
reference = "1.2 V"
feedback = "60 kohm +/- 3 % (2 sigma)"
[use]
temperature = "25 degC"
conditions = 1
loadings = 1
[station]
temperature = "25 degC"
[[calibration]]
kind = "none"
"""

Array = NDArray[np.float64]


def found(result: RunResult) -> dict[str, Array]:
    """Yield and 97.5 percentile of every option of a finished run."""
    frame = result.plan.frame
    values = {}
    for name, tally in result.tallies.items():
        counts = tally.errors.sum(axis=(0, 1))
        low, high = tally.low.min(axis=0), tally.high.max(axis=0)
        percentile = quantile(counts, frame.bins, np.array([0.975]), low, high)[-1, 0]
        values[name] = np.array([tally.within[:, 2].sum() / frame.units, percentile])
    return values


def studies(case: Case, points: str, units: int, repeats: int, first: int) -> Mapping[str, Array]:
    """Values of so many studies, option -> (study, value)."""
    rows = []
    for seed in range(first, first + repeats):
        study = replace(case.study, units=units, seed=seed, points=points)
        rows.append(found(run(replace(case, study=study), workers=1)))
    return {name: np.stack([row[name] for row in rows]) for name in rows[0]}


def table(title: str, case: Case, units: int, reference_units: int) -> None:
    """Print the ratios of one case, against a larger study of the best points."""
    truth = {
        name: values.mean(axis=0) for name, values in studies(case, "sobol", reference_units, 4, 9000).items()
    }
    error = {}
    for points in KINDS:
        drawn = studies(case, points, units, REPEATS, 100)
        error[points] = {
            name: np.sqrt(np.mean((values - truth[name]) ** 2, axis=0)) for name, values in drawn.items()
        }
    print(f"\n{title}: {units} units, {REPEATS} studies of each kind")
    print(f"{'option':40s}{'yield %':>9s}{'rmse':>8s}{'latin':>8s}{'sobol':>8s}   97.5 %: latin   sobol")
    for name, (share, _) in truth.items():
        base = error["random"][name]
        gain = [base / np.maximum(error[points][name], 1e-12) for points in ("latin", "sobol")]
        print(
            f"{name:40s}{100 * share:9.2f}{100 * base[0]:8.3f}{gain[0][0]:8.2f}{gain[1][0]:8.2f}"
            f"{gain[0][1]:17.2f}{gain[1][1]:8.2f}"
        )
    for points in ("latin", "sobol"):
        ratios = np.stack([error["random"][name] / error[points][name] for name in truth])
        print(f"{'geometric mean, ' + points:40s} yield {np.exp(np.log(ratios).mean(axis=0))[0]:.2f}, "
              f"97.5 percentile {np.exp(np.log(ratios).mean(axis=0))[1]:.2f}")  # fmt: skip


def main() -> None:
    """Both cases, with the number of units given (default 4096 and 2048)."""
    units = int(sys.argv[1]) if len(sys.argv) > 1 else 2048
    table("smooth case", read_case(SMOOTH), 2 * units, 32 * units)
    table("gripper, amplifier", with_changes(load_case(GRIPPER), KNOWN), units, 8 * units)


if __name__ == "__main__":
    main()
