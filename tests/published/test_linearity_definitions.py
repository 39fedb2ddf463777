"""Linearity by each definition of the line (ISA-51.1, IEC 61298-2), and force-proving errors (ISO 376)."""

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import linprog
from strd_files import DATA

from margin.bench.merits import DEFINITIONS, linearity, proving
from margin.bench.merits.linearity import minimax, zero_minimax

LOAD_CELL = {
    "terminal-based": 0.344,
    "zero-based least squares": 0.320,
    "zero-based minimax": 0.246,
    "independent least squares": 0.190,
    "independent minimax": 0.150,
}
"""% of full-scale output, recomputed independently from NIST StRD 'Pontius'."""

PARABOLA = {
    "terminal-based": 1.0,
    "zero-based minimax": 4 * (np.sqrt(2) - 1) ** 2,
    "independent minimax": 0.5,
    "independent least squares": 2 / 3,
    "zero-based least squares": 1.0,
}
"""Largest deviation of x + 4 d x (1 - x) on [0, 1], in units of d: closed form."""

FIVE_POINTS = {
    "terminal-based": 1.0,
    "zero-based minimax": 2 / 3,
    "independent minimax": 0.5,
    "independent least squares": 0.5,
    "zero-based least squares": 2 / 3,
}
"""The same at 0, 25, 50, 75 and 100 %."""


@pytest.mark.parametrize("definition", DEFINITIONS)
def test_load_cell(definition: str) -> None:
    """The run means of the load cell, its zero load taken as zero output."""
    frame = pd.read_csv(DATA / "load_cell_calibration.csv", comment="#")
    means = frame.groupby("load")["deflection"].mean()
    loads = means.index.to_numpy(dtype=float)
    found = 100 * linearity(loads, means.to_numpy(), definition, zero=0.0)
    assert found == pytest.approx(LOAD_CELL[definition], abs=5e-4)


@pytest.mark.parametrize("definition", DEFINITIONS)
def test_parabola(definition: str) -> None:
    """A parabola read at many points has its closed-form linearity."""
    x = np.linspace(0, 1, 401)
    assert 100 * linearity(x, x + 0.04 * x * (1 - x), definition) == pytest.approx(
        PARABOLA[definition], abs=4e-3
    )


@pytest.mark.parametrize("definition", DEFINITIONS)
def test_parabola_at_five_points(definition: str) -> None:
    """The same parabola read at five points."""
    x = np.linspace(0, 1, 5)
    found = 100 * linearity(x, x + 0.04 * x * (1 - x), definition)
    assert found == pytest.approx(FIVE_POINTS[definition], rel=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_minimax_equals_linear_programming(seed: int) -> None:
    """Both minimax lines reach the optimum of the linear programme that defines them."""
    rng = np.random.default_rng(seed)
    x = np.sort(rng.uniform(0, 10, 9))
    y = 2 * x + rng.normal(0, 1, 9)
    for line, columns in ((minimax, [np.ones(9), x]), (zero_minimax, [x])):
        design = np.stack([*columns, np.ones(9)], axis=1)
        upper = np.concatenate([design * [*([-1] * len(columns)), -1], design * [*([1] * len(columns)), -1]])
        cost = [0] * len(columns) + [1]
        bounds = [(None, None)] * len(columns) + [(0, None)]
        best = linprog(cost, A_ub=upper, b_ub=np.concatenate([-y, y]), bounds=bounds).fun
        assert np.abs(line(x, y).deviation(x, y)).max() == pytest.approx(best, rel=1e-9)


def test_force_proving_worked_numbers() -> None:
    """ISO 376:2011, formulas from memory, on a worked example of own numbers."""
    x1, x2, x3, x4, x5, x6, fitted = 2.00010, 2.00014, 1.99990, 2.00070, 2.00030, 2.00100, 1.99995
    assert proving.mean_deflection(x1, x3, x5) == pytest.approx(2.0001, abs=1e-12)
    assert proving.reproducibility_error(x1, x3, x5) == pytest.approx(0.0199990, abs=5e-8)
    assert proving.repeatability_error(x1, x2) == pytest.approx(0.0019999, abs=5e-8)
    assert proving.reversibility_error(x3, x4, x5, x6) == pytest.approx(0.0374984, abs=5e-8)
    assert proving.interpolation_error(2.0001, fitted) == pytest.approx(0.0075002, abs=5e-8)
    assert proving.zero_error(0.0001, 0.0003, 2.0) == pytest.approx(0.01)
    assert proving.creep_error(2.0, 2.001, 2.0) == pytest.approx(0.05)
