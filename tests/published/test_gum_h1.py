"""JCGM 100:2008 (GUM), H.1: calibration of an end gauge of 50 mm; all its numbers from memory.

l = ls + d - ls (da * theta + as * dt), in nm, with the length ls of the standard, the difference d of the
lengths, the expansion coefficient as of the standard, the difference da of the coefficients, the deviation theta
of the temperature from 20 degC and the difference dt of the temperatures.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from distributions import Arcsine, Rectangular
from margin.estimates.worst_case.moments import Moments, moments

Array = NDArray[np.float64]

LENGTH, DIFFERENCE, EXPANSION, TEMPERATURE = 50_000_623.0, 215.0, 11.5e-6, -0.1
# H.1.3: repeated observations, random and systematic effects of the comparator; mean temperature and its cycle
U_DIFFERENCE = float(np.hypot(np.hypot(5.8, 3.9), 6.7))
U_TEMPERATURE = float(np.hypot(0.2, Arcsine(-0.5, 0.5).sd))
U_EXPANSION = Rectangular(-2e-6, 2e-6).sd
U_EXPANSIONS = Rectangular(-1e-6, 1e-6).sd
U_TEMPERATURES = Rectangular(-0.05, 0.05).sd
MEAN = np.array([LENGTH, DIFFERENCE, EXPANSION, TEMPERATURE, 0.0, 0.0])
SD = np.array([25.0, U_DIFFERENCE, U_EXPANSION, U_TEMPERATURE, U_EXPANSIONS, U_TEMPERATURES])
NAMES = ("standard", "difference", "expansion", "temperature", "expansions", "temperatures")


def end_gauge(rows: Array) -> Array:
    """Length of the end gauge at 20 degC, nm, less 50 mm; (row, 1)."""
    standard, difference, expansion, temperature, expansions, temperatures = rows.T
    thermal = expansions * temperature + expansion * temperatures
    return (standard + difference - standard * thermal - 50e6)[:, None]


@pytest.fixture(scope="module")
def found() -> Moments:
    return moments(end_gauge, MEAN, SD)


@pytest.mark.parametrize(
    ("found", "published", "half_digit"),
    [
        (U_DIFFERENCE, 9.7, 0.05),
        (U_EXPANSION, 1.2e-6, 0.05e-6),
        (U_EXPANSIONS, 0.58e-6, 0.005e-6),
        (U_TEMPERATURE, 0.41, 0.005),
        (U_TEMPERATURES, 0.029, 0.0005),
    ],
    ids=["difference", "expansion", "expansions", "temperature", "temperatures"],
)
def test_inputs(found: float, published: float, half_digit: float) -> None:
    """Table H.1: u = 9.7 nm for the difference, 1.2e-6 and 0.58e-6 /K, 0.41 K and 0.029 K."""
    assert found == pytest.approx(published, abs=half_digit)


@pytest.mark.parametrize(
    ("name", "published"),
    [
        ("standard", 25.0),
        ("difference", 9.7),
        ("expansion", 0.0),
        ("temperature", 0.0),
        ("expansions", 2.9),
        ("temperatures", 16.6),
    ],
)
def test_first_order_components(found: Moments, name: str, published: float) -> None:
    """Table H.1: components of 25, 9.7, 0, 0, 2.9 and 16.6 nm."""
    assert abs(found.first[NAMES.index(name), 0]) == pytest.approx(published, abs=0.05)


def test_combined_standard_uncertainty(found: Moments) -> None:
    """H.1.4: u_c(l) = 32 nm, of u_c^2(l) = 1002 nm^2, and l = 50.000 838 mm."""
    assert found.u_first[0] ** 2 == pytest.approx(1002.0, abs=1.0)
    assert round(float(found.u_first[0])) == 32
    assert found.mean[0] == pytest.approx(838.0, abs=0.5)
    assert found.shift[0] == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize(
    ("pair", "published"), [(("temperature", "expansions"), 11.7), (("expansion", "temperatures"), 1.7)]
)
def test_second_order_components(found: Moments, pair: tuple[str, str], published: float) -> None:
    """H.1.7: terms of second order of 11.7 nm (temperature) and 1.7 nm (expansion)."""
    i, j = (NAMES.index(name) for name in pair)
    row = int(np.nonzero((found.first_of == i) & (found.second_of == j))[0][0])
    assert np.sqrt(found.pairs[row, 0]) == pytest.approx(published, abs=0.1)


def test_combined_with_second_order(found: Moments) -> None:
    """H.1.7: the terms of second order raise u_c(l) from 32 nm to 34 nm."""
    assert round(float(found.u_second[0])) == 34
    assert found.u_second[0] == pytest.approx(np.sqrt(found.u_first[0] ** 2 + 11.7**2 + 1.7**2), abs=0.1)


def test_draws_of_the_end_gauge(found: Moments) -> None:
    """Draws of the same inputs as independent normal ones have the standard deviation with second order."""
    generator = np.random.Generator(np.random.Philox(1))
    draws = MEAN + SD * generator.standard_normal((1_000_000, MEAN.size))
    assert end_gauge(draws).std() == pytest.approx(found.u_second[0], rel=0.003)
