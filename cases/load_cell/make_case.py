"""Computes from the measured data what `case.toml` says of the load cell, and checks that it agrees.

The data: NIST Statistical Reference Datasets, linear regression, 'Pontius' (load-cell calibration,
P. Pontius, NIST, about 1975), two ascending passes over 20 loads; a work of the US Government, public
domain. Run this file to see the tables; it returns 1 where `case.toml` departs from them.
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


def departures() -> list[str]:
    """Where `case.toml` departs from the data by more than its own rounding; empty if it agrees."""
    found, said = measured(), stated()
    pairs = [(f"load {i}", a, b) for i, (a, b) in enumerate(zip(found["loads"], said["loads"], strict=True))]
    pairs += [
        (f"output {i}", a, b) for i, (a, b) in enumerate(zip(found["outputs"], said["outputs"], strict=True))
    ]
    pairs.append(("reload_scatter", found["reload_scatter"], said["reload_scatter"]))
    return [
        f"{name}: the data give {a:.7g}, case.toml says {b:.7g}"
        for name, a, b in pairs
        if not np.isclose(a, b, rtol=1e-4 if name == "reload_scatter" else 1e-9, atol=1e-15)
    ]


def main() -> int:
    """Print what the data give and where `case.toml` departs from it; 1 if it does."""
    found = measured()
    print("loads =", [int(v) for v in found["loads"]])
    print("outputs =", [float(f"{v:.7g}") for v in found["outputs"]])
    print(f"residual standard deviation = {found['residual']:.6g} (certified: 2.05177424076185E-04)")
    print(f'reload_scatter = "{1e6 * found["reload_scatter"]:.2f} ppm"')
    wrong = departures()
    print("\n".join(wrong) if wrong else "case.toml agrees")
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
