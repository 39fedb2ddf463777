"""Fits against certified regressions of the NIST Statistical Reference Datasets."""

import numpy as np
import pandas as pd
import pytest
from strd_files import DATA, certified_curve, digits, table

from margin.bench import fit_curve
from margin.bench.fits import fit_polynomial, lack_of_fit


def power(x, b):
    """DanWood: b1 x^b2."""
    return b[0] * x ** b[1]


def two_exponentials(x, b):
    """MGH17: b1 + b2 exp(-x b4) + b3 exp(-x b5)."""
    return b[0] + b[1] * np.exp(-x * b[3]) + b[2] * np.exp(-x * b[4])


@pytest.mark.parametrize("start", [0, 1])
@pytest.mark.parametrize(("name", "curve"), [("DanWood", power), ("MGH17", two_exponentials)])
def test_nonlinear_from_both_starts(name, curve, start) -> None:
    """Parameters and standard deviations agree to six digits from the far start and the near one."""
    data, certified = table(name), certified_curve(name)
    fit = fit_curve(curve, data[:, 1], data[:, 0], certified[:, start])
    worst = min(
        min(digits(p, c) for p, c in zip(fit.parameters, certified[:, 2], strict=True)),
        min(digits(e, c) for e, c in zip(fit.standard_errors, certified[:, 3], strict=True)),
    )
    assert worst > 6


def test_norris_straight_line() -> None:
    """Norris (calibration of ozone monitors): line, standard deviations and residual deviation."""
    data = table("Norris")
    fit = fit_polynomial(data[:, 1], data[:, 0], 1)
    assert fit.parameters == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-11)
    assert fit.standard_errors == pytest.approx([0.232818234301152, 0.429796848199937e-3], rel=1e-11)
    assert fit.sd == pytest.approx(0.884796396144373, rel=1e-11)


@pytest.fixture
def load_cell():
    """Pontius: load and deflection of 40 readings."""
    frame = pd.read_csv(DATA / "load_cell_calibration.csv", comment="#")
    return frame["load"].to_numpy(dtype=float), frame["deflection"].to_numpy()


def test_pontius_quadratic(load_cell) -> None:
    """Certified parameters, standard deviations and residual standard deviation of the load cell."""
    fit = fit_polynomial(*load_cell, 2)
    assert fit.parameters == pytest.approx(
        [6.73565789473684e-4, 7.32059160401003e-7, -3.16081871345029e-15], rel=1e-10, abs=0
    )
    assert fit.standard_errors == pytest.approx(
        [1.07938612033077e-4, 1.57817399981659e-10, 4.86652849992036e-17], rel=1e-9, abs=0
    )
    assert fit.sd == pytest.approx(2.05177424076185e-4, rel=1e-10)


def test_pontius_lack_of_fit(load_cell) -> None:
    """NIST/SEMATECH e-Handbook 4.6.1: the line is rejected, F(18, 20) = 214.75; not the quadratic, 0.811."""
    line = lack_of_fit(fit_polynomial(*load_cell, 1), load_cell[0])
    curve = lack_of_fit(fit_polynomial(*load_cell, 2), load_cell[0])
    assert line is not None and curve is not None
    assert (line.dof, curve.dof) == ((18, 20), (17, 20))
    assert line.ratio == pytest.approx(214.75, abs=0.005)
    assert curve.ratio == pytest.approx(0.811, abs=0.0005)
    assert line.p < 1e-10 < 0.5 < curve.p
