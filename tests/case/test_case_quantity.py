"""The grammar of quantities against values worked out by hand."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from distributions import Arcsine, Lognormal, Normal, Rectangular, SelectedOut, Shifted, Triangular, Truncated
from margin.case.faults import ValueFault
from margin.case.quantity import Place, read_quantity
from margin.case.spread_table import SHAPES, read_any
from margin.case.types import Quantity
from margin.chain.parameter import Level, Parameter


def _place(unit: str, default: float | None = None, role: str = "circuit", level: Level = "unit") -> Place:
    return Place(role, "x", Parameter(unit, default, level, None, None, None, False, "tested"))  # type: ignore[arg-type]


def _read(text: object, unit: str = "ohm", default: float | None = None, role: str = "circuit") -> Quantity:
    return read_any(text, _place(unit, default, role))


@pytest.mark.parametrize(
    ("text", "unit", "nominal"),
    [
        ("47 kohm", "ohm", 47000.0),
        ("47kohm", "ohm", 47000.0),
        ("4.7e4 ohm", "ohm", 47000.0),
        (".5 V", "V", 0.5),
        ("-5 mV", "V", -0.005),
        ("0.98", "", 0.98),
        ("5 %", "", 0.05),
        ("0.36 %/K", "1/K", 0.0036),
        ("0.002 1/K", "1/K", 0.002),
        ("0.002 /K", "1/K", 0.002),
        ("23 degC", "degC", 23.0),
        ("50 %", "percent_RH", 50.0),
    ],
)
def test_nominal_value(text: str, unit: str, nominal: float) -> None:
    """A number with its unit is the SI value to the last bit, without spread."""
    quantity = _read(text, unit)
    assert quantity.nominal == nominal
    assert quantity.spreads == ()
    assert not quantity.defaulted


@pytest.mark.parametrize("number", [1, 1.5, 0, -3])
def test_plain_number_is_taken_where_there_is_no_unit(number: float) -> None:
    """A TOML number serves for a dimensionless quantity and for relative humidity."""
    assert _read(number, "").nominal == number
    assert _read(40, "percent_RH").nominal == 40.0


@pytest.mark.parametrize(
    ("text", "unit", "relative", "distribution"),
    [
        ("47 kohm +/- 1 %", "ohm", True, Rectangular(-0.01, 0.01)),
        ("47 kΩ ± 1 %", "ohm", True, Rectangular(-0.01, 0.01)),
        ("1.2 V +/- 5 mV", "V", False, Rectangular(-0.005, 0.005)),
        ("10 kohm +2 % / -1 %", "ohm", True, Rectangular(-0.01, 0.02)),
        ("10 kohm -1 % / +2 %", "ohm", True, Rectangular(-0.01, 0.02)),
        ("10 kohm +200 ohm / -100 ohm", "ohm", False, Rectangular(-100.0, 200.0)),
        ("0 ppm/K +/- 50 ppm/K", "1/K", False, Rectangular(-5e-5, 5e-5)),
        ("0.36 %/K +/- 10 %", "1/K", True, Rectangular(-0.1, 0.1)),
        ("1 V +/- 200 ppm", "V", True, Rectangular(-2e-4, 2e-4)),
        ("47 kohm +/- 1 % (2 sigma)", "ohm", True, Normal(0.0, 0.005)),
        ("47 kohm +/- 1 % (Cpk 1.25)", "ohm", True, Normal(0.0, 0.01 / 3.75)),
        ("47 kohm +/- 1 % (screened, 2 sigma)", "ohm", True, Truncated(Normal(0.0, 0.005), -0.01, 0.01)),
        ("47 kohm +/- 1 % (triangular)", "ohm", True, Triangular(-0.01, 0.01, 0.0)),
        ("47 kohm +/- 1 % (rectangular)", "ohm", True, Rectangular(-0.01, 0.01)),
        ("47 kohm +/- 1 % (arcsine)", "ohm", True, Arcsine(-0.01, 0.01)),
        ("47 kohm +/- 5 % (without 1 %)", "ohm", True, SelectedOut(Rectangular(-0.05, 0.05), -0.01, 0.01)),
        ("5 degC to 40 degC", "degC", False, Rectangular(-17.5, 17.5)),
        ("5 to 40 °C", "degC", False, Rectangular(-17.5, 17.5)),
        ("5 degC to 40 degC (arcsine)", "degC", False, Arcsine(-17.5, 17.5)),
        ("23 degC +/- 2 K", "degC", False, Rectangular(-2.0, 2.0)),
        ("23 degC +/- 2 degC", "degC", False, Rectangular(-2.0, 2.0)),
        ("0.8 +/- 2 %", "", True, Rectangular(-0.02, 0.02)),
        ("0.8 +/- 0.02", "", False, Rectangular(-0.02, 0.02)),
        ("0 +/- 0.5 %", "", False, Rectangular(-0.005, 0.005)),
        ("2 % +/- 0.5 %", "", False, Rectangular(-0.005, 0.005)),
        ("2 mV/V +/- 0.1 mV/V", "", False, Rectangular(-1e-4, 1e-4)),
        ("2 mV/V +/- 10 uV/V", "", False, Rectangular(-1e-5, 1e-5)),
        ("50 %RH +/- 10 %", "percent_RH", False, Rectangular(-10.0, 10.0)),
    ],
)
def test_tolerance_is_read(text: str, unit: str, relative: bool, distribution: object) -> None:
    """Limits, coverage and notes give the distribution worked out by hand (GUM 4.3.4, 4.3.7, 4.3.9)."""
    (spread,) = _read(text, unit).spreads
    assert spread.relative is relative
    assert spread.distribution == distribution


def test_range_has_its_middle_as_nominal_value() -> None:
    """The nominal value of a range is its middle, exactly."""
    assert _read("5 degC to 40 degC", "degC").nominal == 22.5
    assert _read("0.1 V to 0.3 V", "V").nominal == 0.2


def test_several_spreads_with_levels_and_sample_size() -> None:
    """Each spread has its own shape, level and number of units behind it."""
    text = "3.2 uS +/- 8 % (2 sigma) per lot, +/- 12 % (2 sigma, from 6 units) per unit"
    quantity = _read(text, "S", role="sensor")
    lot, unit = quantity.spreads
    assert quantity.nominal == 3.2e-6
    assert (lot.level, lot.distribution, lot.measured_on) == ("lot", Normal(0.0, 0.04), None)
    assert (unit.level, unit.distribution, unit.measured_on) == ("unit", Normal(0.0, 0.06), 6)
    assert unit.read_as == "normal, limits at 2 sigma (GUM 4.3.4)"


def test_level_left_out_is_that_of_the_declaration() -> None:
    """A spread without a level varies where its quantity declares."""
    place = _place("degC", role="use", level="condition")
    assert read_quantity("23 degC +/- 2 K", place).spreads[0].level == "condition"


def test_range_can_have_a_level_and_further_spreads() -> None:
    """What follows a range belongs to it; further deviations come after a comma."""
    place = _place("degC", role="use", level="condition")
    wide, narrow = read_quantity("5 degC to 40 degC per common, +/- 1 K per reading", place).spreads
    assert (wide.level, narrow.level) == ("common", "reading")
    assert narrow.distribution == Rectangular(-1.0, 1.0)


def test_tolerance_alone_takes_the_default_value() -> None:
    """Without a nominal value the default holds; where that is zero a share is a difference."""
    quantity = _read("+/- 5 mV", "V", 0.0)
    assert (quantity.nominal, quantity.spreads[0].distribution) == (0.0, Rectangular(-0.005, 0.005))
    assert _read("+/- 5 % (without 1 %)", "", 2.0).spreads[0].relative


def test_table_with_tolerance_equals_the_text() -> None:
    """value and tolerance in a table mean what they mean in one text."""
    table = {"value": "47 kohm", "tolerance": "+/- 1 % (2 sigma) per lot"}
    assert _read(table) == _read("47 kohm +/- 1 % (2 sigma) per lot")


def test_lognormal_spread_is_a_factor_of_median_one() -> None:
    """Quantiles of value over nominal are exp(log_sd * z)."""
    quantity = _read({"value": "3.2 uS", "spread": [{"shape": "lognormal", "log_sd": 0.1}]}, "S")
    (spread,) = quantity.spreads
    assert spread.distribution == Shifted(Lognormal(1.0, 0.1), -1.0, 1.0)
    assert float(spread.distribution.ppf(0.5)) == pytest.approx(0.0, abs=1e-12)
    assert 1.0 + float(spread.distribution.ppf(0.8413447460685429)) == pytest.approx(math.exp(0.1))


_ENTRIES: dict[str, dict[str, object]] = {
    "normal": {"sd": "2 %"},
    "rectangular": {"low": "-2 %", "high": "3 %"},
    "triangular": {"low": "-2 %", "high": "3 %", "mode": "1 %"},
    "trapezoidal": {"low": "-2 %", "high": "2 %", "beta": 0.5},
    "curvilinear trapezoid": {"low": "-2 %", "high": "2 %", "inexactness": "0.5 %"},
    "arcsine": {"low": "-2 %", "high": "2 %"},
    "student t": {"scale": "2 %", "dof": 5},
    "lognormal": {"log_sd": 0.05},
    "beta": {"low": "-2 %", "high": "2 %", "alpha": 2, "beta": 3},
    "gamma": {"scale": "2 %", "exponent": 3},
    "exponential": {"scale": "2 %"},
    "half-normal": {"sigma": "2 %"},
    "rayleigh": {"sigma": "2 %"},
    "weibull": {"scale": "2 %", "exponent": 1.5},
    "fixed": {"value": "2 %"},
    "discrete": {"values": ["-1 %", "2 %"], "weights": [1, 3]},
    "empirical": {"unit": "%", "values": [-3.1, 0.4, 2.2]},
    "mixture": {
        "components": [{"shape": "normal", "sd": "1 %"}, {"shape": "normal", "mean": "3 %", "sd": "1 %"}],
        "weights": [0.4, 0.6],
    },
    "truncated": {"base": {"shape": "normal", "sd": "2 %"}, "low": "-3 %", "high": "3 %"},
    "shifted": {"base": {"shape": "rayleigh", "sigma": "1 %"}, "location": "-1 %"},
    "selected out": {"base": {"shape": "normal", "sd": "2 %"}, "inner_low": "-1 %", "inner_high": "1 %"},
}


@pytest.mark.parametrize("name", SHAPES)
def test_every_shape_can_be_written(name: str) -> None:
    """Each shape of the distributions is reachable by the table form and keeps to its level."""
    entry = {"shape": name, "level": "lot", **_ENTRIES[name]}
    (spread,) = _read({"value": "3.2 uS", "spread": [entry]}, "S", role="sensor").spreads
    assert isinstance(spread.distribution, Shifted if name == "lognormal" else SHAPES[name].cls)
    assert (spread.level, spread.relative) == ("lot", True)
    assert -0.2 < float(spread.distribution.ppf(0.5)) < 0.2


def test_empirical_values_with_a_unit_beside_them() -> None:
    """Plain numbers take the unit that stands beside them; differences are in SI units."""
    table = {"value": "3.2 uS", "spread": [{"shape": "empirical", "unit": "uS", "values": [-0.1, 0.2]}]}
    (spread,) = _read(table, "S").spreads
    assert not spread.relative
    assert spread.distribution.support == (-1e-7, 2e-7)


@given(st.integers(-999999, 999999), st.integers(-9, 9))
@settings(max_examples=60, deadline=None)
def test_decimal_text_is_the_nearest_float(digits: int, exponent: int) -> None:
    """Reading loses nothing: the value is the float nearest to the decimal text in SI units."""
    text = f"{digits}e{exponent}"
    assert _read(f"{text} kohm").nominal == float(f"{digits}e{exponent + 3}")


@given(st.text(alphabet="0123456789.+-/%±()kohmVKsigma,pertoinf ", max_size=40))
@settings(max_examples=200, deadline=None)
def test_any_text_is_read_or_refused_in_words(text: str) -> None:
    """Whatever is written, the answer is a quantity or a fault with a reason."""
    try:
        assert math.isfinite(_read(text).nominal)
    except ValueFault as fault:
        assert fault.reason
