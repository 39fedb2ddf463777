"""JCGM 100:2008 (GUM), H.2: resistance, reactance and impedance from correlated readings."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from distributions import GaussianCopula, Normal, Stream

Array = NDArray[np.float64]

# GUM table H.2, from memory: five simultaneous readings of voltage (V), current (A) and phase (rad)
READINGS = np.array(
    [
        [5.007, 4.994, 5.005, 4.990, 4.999],
        [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3],
        [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
    ]
)
NAMES = ("voltage", "current", "phase")
MEANS = READINGS.mean(axis=1)
U_MEANS = READINGS.std(axis=1, ddof=1) / np.sqrt(5.0)
CORRELATION = np.corrcoef(READINGS)
DRAWS = 1_000_000


def outputs(correlation: Array) -> Array:
    """R, X, Z in ohm, shape (3, DRAWS), of means that are normal with this correlation."""
    uniforms = np.array([Stream(100).uniforms(name, 0, DRAWS) for name in NAMES])
    tied = GaussianCopula.from_normal_correlation(NAMES, correlation).apply(uniforms)
    voltage, current, phase = (
        Normal(float(m), float(u)).ppf(row) for m, u, row in zip(MEANS, U_MEANS, tied, strict=True)
    )
    impedance = voltage / current
    return np.array([impedance * np.cos(phase), impedance * np.sin(phase), impedance])


@pytest.fixture(scope="module")
def tied() -> Array:
    return outputs(CORRELATION)


def test_input_estimates_and_correlations() -> None:
    """Table H.2: means 4.9990 V, 19.6610 mA, 1.04446 rad, their u and correlations -0.36, 0.86, -0.65."""
    np.testing.assert_allclose(MEANS, [4.9990, 19.6610e-3, 1.04446], rtol=1e-6)
    np.testing.assert_allclose(U_MEANS, [0.0032, 0.0095e-3, 0.00075], rtol=0.01)
    found = CORRELATION[np.tril_indices(3, -1)]
    np.testing.assert_allclose(found, [-0.36, 0.86, -0.65], atol=0.006)


def test_output_estimates(tied: Array) -> None:
    """Table H.3: R = 127.732, X = 219.847, Z = 254.260 ohm."""
    np.testing.assert_allclose(tied.mean(axis=1), [127.732, 219.847, 254.260], atol=0.0015)


def test_output_uncertainties(tied: Array) -> None:
    """Table H.3: u = 0.071, 0.295, 0.236 ohm; by propagation 0.071071, 0.295582, 0.236336."""
    np.testing.assert_allclose(tied.std(axis=1), [0.071071, 0.295582, 0.236336], rtol=0.004)
    np.testing.assert_allclose(tied.std(axis=1), [0.071, 0.295, 0.236], atol=0.0015)


def test_output_correlations(tied: Array) -> None:
    """Table H.3: r(R, X) = -0.588, r(R, Z) = -0.485, r(X, Z) = 0.993."""
    found = np.corrcoef(tied)[np.tril_indices(3, -1)]
    np.testing.assert_allclose(found, [-0.58843, -0.48526, 0.99251], atol=0.003)


def test_dropping_the_correlations_fails() -> None:
    """Without correlations u(R) is 2.7 times too large and u(X) a third too small (closed form)."""
    free = outputs(np.eye(3)).std(axis=1)
    np.testing.assert_allclose(free, [0.1945, 0.2009, 0.2041], rtol=0.004)
    assert free[0] > 2.6 * 0.071071 and free[1] < 0.7 * 0.295582
