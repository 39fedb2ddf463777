"""Computes from the measured data what `case.toml` says of the load cell, and checks that it agrees.

The data: NIST Statistical Reference Datasets, linear regression, 'Pontius' (load-cell calibration, P. Pontius,
NIST, about 1975), two ascending passes over 20 loads; a work of the US Government, public domain. Run this file
to see the tables; `measured()` and `stated()` are compared in the tests.
"""

from __future__ import annotations

import csv
import tomllib
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).parent
FULL_SCALE_LOAD = 3_000_000.0


def measured() -> dict[str, Any]:
    """Loads (N, as this case reads them), mean outputs (V/V, likewise) and residual scatter of full scale."""
    with (HERE / "load_cell_calibration.csv").open(newline="") as file:
        rows = [(float(r["load"]), float(r["deflection"])) for r in csv.DictReader(file)]
    load, deflection = np.array(rows).T
    loads = np.unique(load)
    mean = np.array([deflection[load == value].mean() for value in loads])
    design = np.vander(load / FULL_SCALE_LOAD, 3)
    coefficients, *_ = np.linalg.lstsq(design, deflection, rcond=None)
    residual = deflection - design @ coefficients
    scatter = float(np.sqrt(np.sum(residual**2) / (load.size - 3)))
    return {
        "loads": [0.0, *loads.tolist()],
        "outputs": [0.0, *(1e-3 * mean).tolist()],
        "residual": scatter,
        "reload_scatter": scatter / float(mean[-1]),
    }


def stated() -> dict[str, Any]:
    """The same as `case.toml` says."""
    sensor = tomllib.loads((HERE / "case.toml").read_text(encoding="utf-8"))["sensor"]
    return {
        "loads": [float(v) for v in sensor["loads"]],
        "outputs": [float(v) for v in sensor["outputs"]],
        "reload_scatter": float(sensor["reload_scatter"].split()[0]) / 1e6,
    }


def main() -> None:
    """Print what the data give."""
    found = measured()
    print("loads =", [int(v) for v in found["loads"]])
    print("outputs =", [float(f"{v:.7g}") for v in found["outputs"]])
    print(f"residual standard deviation = {found['residual']:.6g} (certified: 2.05177424076185E-04)")
    print(f'reload_scatter = "{1e6 * found["reload_scatter"]:.2f} ppm"')


if __name__ == "__main__":
    main()
