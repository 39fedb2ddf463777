"""Published functions with Sobol indices in closed form.

Ishigami and Homma 1990, First International Symposium on Uncertainty Modeling and Analysis, 398-403.
G function: Saltelli and Sobol 1995, Reliability Engineering and System Safety 50, 225-239.
"""

from __future__ import annotations

import numpy as np
import pytest
from redrawn_functions import RedrawnFunction

from margin.estimates.sensitivity import Study, refine

ISHIGAMI = [
    (
        0.1,
        13.844587940719254,
        [0.313905191147811, 0.442411144790041, 0.0],
        [0.557588855209959, 0.442411144790041, 0.243683664062148],
    ),
    (
        0.05,
        None,
        [0.218518564427013, 0.686894643648693, 0.0],
        [0.313105356351307, 0.686894643648693, 0.094586791924294],
    ),
]


@pytest.mark.parametrize(("b", "variance", "first", "total"), ISHIGAMI)
def test_ishigami(b: float, variance: float | None, first: list[float], total: list[float]) -> None:
    """Ishigami function, a = 7: main and total effect within 0.01 at 2^17 units, variance within 1 %."""

    def model(uniforms: np.ndarray) -> np.ndarray:
        x = np.pi * (2.0 * uniforms - 1.0)
        return np.sin(x[:, 0]) * (1.0 + b * x[:, 2] ** 4) + 7.0 * np.sin(x[:, 1]) ** 2

    study = Study(("x1", "x2", "x3"), ("y",), 5 * 2**17, 1e-9)
    found = refine(study, RedrawnFunction(model, 3)).effects
    np.testing.assert_allclose(found.main.value[:, 0], first, atol=0.01)
    np.testing.assert_allclose(found.total.value[:, 0], total, atol=0.01)
    if variance is not None:
        assert found.variance[0] == pytest.approx(variance, rel=0.01)


G_FUNCTION = [
    (
        [0.0, 1.0, 4.5, 9.0, 99.0, 99.0, 99.0, 99.0],
        0.465424431902207,
        [0.716192, 0.179048, 0.023676, 0.007162, 7.2e-5, 7.2e-5, 7.2e-5, 7.2e-5],
        [0.787144, 0.242198, 0.034317, 0.010460, 1.05e-4, 1.05e-4, 1.05e-4, 1.05e-4],
    ),
    (
        [1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 500.0],
        0.138026662106370,
        [0.603748, 0.268332, 0.067083, 0.019959, 0.005476, 0.000928, 0.000237, 1e-5],
        [0.634229, 0.294463, 0.075642, 0.022651, 0.006227, 0.001057, 0.000269, 1.1e-5],
    ),
]


@pytest.mark.parametrize(("a", "variance", "first", "total"), G_FUNCTION)
def test_g_function(a: list[float], variance: float, first: list[float], total: list[float]) -> None:
    """G function of eight inputs: effects within 0.01 at 2^17 units, variance within 2 %."""
    weight = np.array(a)

    def model(uniforms: np.ndarray) -> np.ndarray:
        return np.prod((np.abs(4.0 * uniforms - 2.0) + weight) / (1.0 + weight), axis=1)

    study = Study(tuple(f"x{i + 1}" for i in range(8)), ("y",), 10 * 2**17, 1e-9)
    found = refine(study, RedrawnFunction(model, 8)).effects
    np.testing.assert_allclose(found.main.value[:, 0], first, atol=0.01)
    np.testing.assert_allclose(found.total.value[:, 0], total, atol=0.01)
    assert found.variance[0] == pytest.approx(variance, rel=0.02)
