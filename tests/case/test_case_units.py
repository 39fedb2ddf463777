"""Units: exact factors, names of dimensions, output with prefixes."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from margin.case.units import UnitError, difference_to_si, dimension_name, show, to_coherent, to_si


@pytest.mark.parametrize(
    ("number", "written", "wanted", "expected"),
    [
        ("47", "kohm", "ohm", 47000.0),
        ("47", "kΩ", "ohm", 47000.0),
        ("47", "k\u2126", "ohm", 47000.0),
        ("3.2", "uS", "S", 3.2e-6),
        ("3.2", "\u00b5S", "S", 3.2e-6),
        ("3.2", "\u03bcS", "S", 3.2e-6),
        ("2.2", "Mohm", "ohm", 2.2e6),
        ("0.1", "nF", "F", 1e-10),
        ("50", "ppm/K", "1/K", 5e-5),
        ("0.36", "%/K", "1/K", 0.0036),
        ("0.36", "%/°C", "1/K", 0.0036),
        ("2", "ppm/K^2", "1/K**2", 2e-6),
        ("5", "uV/K", "V/K", 5e-6),
        ("10", "nV/sqrt(Hz)", "V/Hz**0.5", 1e-8),
        ("10", "nV/√Hz", "V/Hz**0.5", 1e-8),
        ("10", "nV/Hz^0.5", "V/Hz**0.5", 1e-8),
        ("200", "N/mm", "N/m", 2e5),
        ("0.1", "%/%RH", "1/percent_RH", 0.001),
        ("2", "mV/V", "", 0.002),
        ("3", "LSB", "", 3.0),
        ("2", "h", "s", 7200.0),
        ("1", "1/mm", "1/m", 1000.0),
    ],
)
def test_factor_of_a_unit_is_exact(number: str, written: str, wanted: str, expected: float) -> None:
    """Prefixes of the SI brochure (table 7) multiply exactly: no last digit is lost."""
    assert to_si(Fraction(number), written, wanted) == expected


def test_conventional_factors_are_those_of_nist_sp_811() -> None:
    """Pound-force, inch and psi, NIST SP 811, appendix B.8 (from memory)."""
    assert to_si(Fraction(1), "lbf", "N") == 4.4482216152605
    assert to_si(Fraction(1), "in", "m") == 0.0254
    assert to_si(Fraction(1), "kgf", "N") == 9.80665
    assert to_si(Fraction(1), "psi", "Pa") == pytest.approx(6894.757, rel=1e-7)


@pytest.mark.parametrize(
    ("number", "written", "celsius"),
    [
        ("23", "degC", 23.0),
        ("23", "°C", 23.0),
        ("296.15", "K", 23.0),
        ("41", "degF", 5.0),
        ("-40", "degF", -40.0),
    ],
)
def test_temperature_is_absolute_celsius(number: str, written: str, celsius: float) -> None:
    """Absolute temperatures come out in degC (ITS-90: 0 degC is 273.15 K)."""
    assert to_si(Fraction(number), written, "degC") == celsius


def test_temperature_deviation_is_a_difference() -> None:
    """2 degC and 2 K are the same deviation; 9 degF are 5 K."""
    assert difference_to_si(Fraction(2), "degC", "degC") == 2.0
    assert difference_to_si(Fraction(2), "K", "degC") == 2.0
    assert difference_to_si(Fraction(9), "degF", "delta_degC") == 5.0


def test_degree_of_angle() -> None:
    """180 degrees are pi radians."""
    assert to_si(Fraction(180), "deg", "rad") == math.pi


@pytest.mark.parametrize(
    "text", ["kilo", "Ns", "mh", "kmin", "V/", "m^99", "us us", "m^x", "sqrt(", "__class__", "!"]
)
def test_what_is_no_unit_is_refused(text: str) -> None:
    """Plural of a symbol, prefixes of units that take none, broken expressions are no units."""
    with pytest.raises(UnitError, match="is not a unit"):
        to_si(Fraction(1), text, "ohm")


def test_wrong_dimension_says_what_it_is_and_what_is_needed() -> None:
    """The message names both dimensions."""
    with pytest.raises(UnitError, match='"V" is a unit of voltage, resistance is needed'):
        to_si(Fraction(1), "V", "ohm")
    with pytest.raises(UnitError, match='"%" is a ratio, resistance is needed'):
        to_si(Fraction(1), "%", "ohm")


def test_name_of_a_dimension() -> None:
    """Units of one dimension have one name."""
    assert dimension_name("kohm") == dimension_name("V/A") == "resistance"


def test_coherent_value_of_any_dimension() -> None:
    """A coherent value is in SI base units with the kilogram, whatever the dimension."""
    assert to_coherent(Fraction(2), "kN")[0] == 2000.0
    assert to_coherent(Fraction("3.1"), "uS")[0] == 3.1e-6
    assert to_coherent(Fraction(2), "mV/V")[0] == 0.002


@pytest.mark.parametrize(
    ("value", "unit", "shown"),
    [
        (47000.0, "ohm", "47 kohm"),
        (999.96, "ohm", "1 kohm"),
        (3.2e-6, "S", "3.2 uS"),
        (0.0, "V", "0 V"),
        (-0.0047, "V", "-4.7 mV"),
        (5e-5, "1/K", "50 ppm/K"),
        (0.0036, "1/K", "0.36 %/K"),
        (1e-8, "V/Hz**0.5", "10 nV/sqrt(Hz)"),
        (3600.0, "s", "3600 s"),
        (0.02, "s", "20 ms"),
        (23.0, "degC", "23 degC"),
        (5.0, "delta_degC", "5 K"),
        (50.0, "percent_RH", "50 %RH"),
        (0.98, "", "0.98"),
        (2.5e5, "N/m", "250 kN/m"),
        (math.inf, "N", "inf N"),
    ],
)
def test_value_is_shown_with_prefix(value: float, unit: str, shown: str) -> None:
    """Engineering notation: exponents in steps of three, written as SI prefixes."""
    assert show(value, unit) == shown


def test_number_of_digits_is_the_callers() -> None:
    """Significant digits are an argument; trailing zeros go."""
    assert show(123456.0, "ohm", 3) == "123 kohm"
    assert show(120000.0, "ohm", 6) == "120 kohm"


@given(st.floats(1e-14, 1e14), st.sampled_from(["ohm", "V", "S", "A", "F", "Hz", "N", "s"]))
@settings(max_examples=60, deadline=None)
def test_what_is_shown_reads_back(value: float, unit: str) -> None:
    """Text and value agree to the digits shown."""
    number, written = show(value, unit, 9).split(" ")
    assert to_si(Fraction(number), written, unit) == pytest.approx(value, rel=1e-8)
