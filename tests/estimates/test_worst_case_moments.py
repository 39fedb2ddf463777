"""Terms of first and second order against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from distributions import Normal, Rectangular
from margin.estimates.worst_case.dependence import product_moment
from margin.estimates.worst_case.moments import moments

Array = NDArray[np.float64]

coefficient = st.floats(-3.0, 3.0)


@given(a=coefficient, b=coefficient, c=coefficient, u=st.floats(0.1, 2.0))
@settings(max_examples=30, deadline=None)
def test_cubic_of_one_input(a: float, b: float, c: float, u: float) -> None:
    """y = a x + b x^2 + c x^3: u^2 = a^2 u^2 + (2 b^2 + 6 a c) u^4, mean b u^2 (JCGM 100, 5.1.2, note)."""
    found = moments(lambda x: a * x + b * x**2 + c * x**3, np.zeros(1), np.array([u]))
    variance = (a * u) ** 2 + (2.0 * b**2 + 6.0 * a * c) * u**4
    assert found.u_second[0] ** 2 == pytest.approx(max(variance, 0.0), abs=1e-6)
    assert found.shift[0] == pytest.approx(b * u**2, abs=1e-9)
    assert found.u_first[0] == pytest.approx(abs(a * u + c * u**3), abs=1e-9)


@given(p=coefficient, q=coefficient, r=coefficient)
@settings(max_examples=30, deadline=None)
def test_terms_of_a_pair(p: float, q: float, r: float) -> None:
    """y = p x + q x z + r x z^2 with unit normal inputs: p^2 + q^2 + 2 p r, the mean unmoved (5.1.2, note)."""

    def output(rows: Array) -> Array:
        x, z = rows.T
        return (p * x + q * x * z + r * x * z**2)[:, None]

    found = moments(output, np.zeros(2), np.ones(2))
    assert found.u_second[0] ** 2 == pytest.approx(max(p**2 + q**2 + 2.0 * p * r, 0.0), abs=1e-6)
    assert found.shift[0] == pytest.approx(0.0, abs=1e-9)
    assert found.pairs[0, 0] == pytest.approx(q**2 + 2.0 * p * r, abs=1e-9)


def test_product_of_two_inputs_without_mean() -> None:
    """The product of independent inputs of zero mean has no first-order term; u = u1 u2 by the second (closed
    form)."""
    found = moments(lambda x: x[:, :1] * x[:, 1:], np.zeros(2), np.array([2.0, 3.0]))
    assert found.u_first[0] == 0.0
    assert found.u_second[0] == pytest.approx(6.0)


def test_linear_output_has_no_terms_of_second_order() -> None:
    """A sum has the same uncertainty of either order, with covariances: u^2 = sum r_ij c_i c_j (5.2.2)."""
    gains = np.array([[1.0], [-2.0], [0.5]])
    ties = np.array([[1.0, 0.4, 0.0], [0.4, 1.0, -0.3], [0.0, -0.3, 1.0]])
    found = moments(lambda x: x @ gains, np.array([1.0, 2.0, 3.0]), np.ones(3), correlation=ties)
    expected = float(np.sqrt((gains.T @ ties @ gains).item()))
    assert found.mean[0] == pytest.approx(-1.5)
    assert found.u_first[0] == pytest.approx(expected)
    assert found.u_second[0] == pytest.approx(expected)
    assert found.shift[0] == pytest.approx(0.0, abs=1e-12)


def test_correlation_moves_the_mean_of_a_product() -> None:
    """E(x y) = r u_x u_y for inputs of zero mean (closed form)."""
    ties = np.array([[1.0, 0.6], [0.6, 1.0]])
    found = moments(lambda x: x[:, :1] * x[:, 1:], np.zeros(2), np.array([2.0, 3.0]), correlation=ties)
    assert found.mean[0] + found.shift[0] == pytest.approx(0.6 * 6.0)


def test_an_input_that_switches_has_two_values() -> None:
    """A branch drawn from R(0, 1) adds half the step and no curvature; the mean lies midway (closed form)."""
    found = moments(
        lambda x: np.where(x[:, :1] < 0.5, 0.0, 4.0) + x[:, 1:],
        np.array([0.5, 0.0]),
        np.array([12**-0.5, 1.0]),
    )
    assert found.switching.tolist() == [True, False]
    assert found.mean[0] == pytest.approx(2.0)
    assert found.u_first[0] == pytest.approx(np.hypot(2.0, 1.0))
    assert found.u_second[0] == pytest.approx(np.hypot(2.0, 1.0))


def test_differences_stay_inside_the_limits() -> None:
    """Where a limit lies closer than one standard deviation the step ends there, and a straight line keeps its
    slope."""
    seen: list[Array] = []

    def output(rows: Array) -> Array:
        seen.append(rows)
        return rows @ np.array([[2.0], [1.0]])

    low, high = np.array([-0.25, -9.0]), np.array([9.0, 9.0])
    found = moments(output, np.zeros(2), np.ones(2), low=low, high=high)
    rows = np.concatenate(seen)
    assert np.all(rows >= low)
    assert np.all(rows <= high)
    assert found.u_first[0] == pytest.approx(np.sqrt(5.0))
    assert found.u_second[0] == pytest.approx(np.sqrt(5.0))


@pytest.mark.parametrize("r", [-0.9, -0.3, 0.0, 0.5, 0.95])
def test_product_moments(r: float) -> None:
    """Normal scores of correlation r: r itself between normal shapes, 6/pi asin(r/2) between rectangular ones
    (Pearson, 1907), r sqrt(3/pi) between the two (closed form)."""
    normal, rectangular = Normal(1.0, 2.0), Rectangular(-1.0, 3.0)
    assert product_moment(normal, normal, r) == pytest.approx(r, abs=1e-9)
    expected = 6.0 / np.pi * np.arcsin(r / 2.0)
    assert product_moment(rectangular, rectangular, r) == pytest.approx(expected, abs=1e-3)
    assert product_moment(normal, rectangular, r) == pytest.approx(r * np.sqrt(3.0 / np.pi), abs=1e-3)
