"""Acceleration of ageing by temperature, and drift of film resistors."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from distributions.errors import InvalidArgument
from margin.service.acceleration import arrhenius_factor, film_resistor_drift


@pytest.mark.parametrize(("energy", "factor"), [(0.5, 133.0), (1.0, 17_600.0)])
def test_factors_between_25_and_125_degrees(energy: float, factor: float) -> None:
    """NIST/SEMATECH e-Handbook of Statistical Methods, 8.1.5.1: 133 at 0.5 eV and 17,600 at 1 eV (from memory)."""
    assert arrhenius_factor(energy, 25.0, 125.0) == pytest.approx(factor, rel=4e-3)


@given(st.floats(0.0, 1.5), st.floats(-40.0, 150.0), st.floats(-40.0, 150.0), st.floats(-40.0, 150.0))
def test_factors_follow_each_other(energy: float, first: float, second: float, third: float) -> None:
    """Over two steps of temperature the factors multiply; a step back is the inverse."""
    whole = arrhenius_factor(energy, first, third)
    parts = arrhenius_factor(energy, first, second) * arrhenius_factor(energy, second, third)
    assert whole == pytest.approx(parts, rel=1e-9)
    assert arrhenius_factor(energy, third, first) == pytest.approx(1.0 / whole, rel=1e-9)


def test_film_resistors() -> None:
    """Eight times the time doubles the drift, so do 30 K (common practice, no source)."""
    assert float(film_resistor_drift(8000.0, 70.0, 1000.0, 70.0)) == pytest.approx(2.0, rel=1e-12)
    assert float(film_resistor_drift(1000.0, 100.0, 1000.0, 70.0)) == pytest.approx(2.0, rel=1e-12)
    assert float(film_resistor_drift(0.0, 20.0, 1000.0, 70.0)) == 0.0


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ((-0.1, 25.0, 125.0), "cannot be negative"),
        ((math.nan, 25.0, 125.0), "cannot be negative"),
        ((0.7, -300.0, 125.0), "in service is -300 degC"),
        ((0.7, 25.0, math.inf), "in the test is inf degC"),
        ((9.0, -200.0, 125.0), "another one there"),
    ],
)
def test_impossible_values_are_refused(values: tuple[float, float, float], words: str) -> None:
    """One message that names the value."""
    with pytest.raises(InvalidArgument, match=words):
        arrhenius_factor(*values)


def test_impossible_times_are_refused() -> None:
    """No drift before production, none stated at no time."""
    with pytest.raises(InvalidArgument, match="above 0"):
        film_resistor_drift(1.0, 20.0, 0.0, 70.0)
    with pytest.raises(InvalidArgument, match="cannot be negative"):
        film_resistor_drift(-1.0, 20.0, 1000.0, 70.0)
