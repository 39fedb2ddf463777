"""Converter: true staircase, its errors, and what a ratiometric reference cancels."""

from __future__ import annotations

import numpy as np
import pytest

from margin.bench.merits import linearity
from margin.chain import Converter, Setting

SETTING = Setting()


def test_staircase_has_every_code_once_and_steps_at_half_counts() -> None:
    """A slow ramp runs through all codes in order; code k spans counts k - 1/2 to k + 1/2."""
    converter = Converter(bits=6)
    ramp = np.linspace(0.0, 1.0, 64_001)
    code = np.asarray(converter.code(ramp, 1.0, SETTING))
    assert np.array_equal(np.unique(code), np.arange(64.0))
    assert np.all(np.isin(np.diff(code), (0.0, 1.0)))
    assert converter.code(np.array([9.49, 9.51]) / 64.0, 1.0, SETTING) == pytest.approx([9.0, 10.0])


def test_quantisation_of_a_ramp_is_a_twelfth_root() -> None:
    """Over a ramp the error is a count / sqrt(12): 352.387 uV for 12 bits of 5 V."""
    converter = Converter(bits=12, reference="absolute", full_scale=5.0)
    ramp = np.linspace(0.1, 4.9, 500_001)
    back = converter.voltage_from(converter.code(ramp, 0.0, SETTING), 0.0, SETTING)
    assert np.sqrt(np.mean((back - ramp) ** 2)) == pytest.approx(352.387e-6, rel=1e-3)


def test_a_constant_voltage_has_a_constant_error() -> None:
    """Without noise, repeated readings of one voltage all give one code: no averaging helps."""
    converter = Converter(bits=8, averaging=100)
    assert np.unique(converter.code(np.full(50, 0.50123), 1.0, SETTING)).size == 1


def test_codes_end_at_zero_and_at_the_top() -> None:
    """Voltages outside the range give the end codes and are told as outside."""
    converter = Converter(bits=10)
    counts = converter.counts(np.array([-0.1, 0.5, 1.0, 1.1]), 1.0, SETTING)
    assert converter.code_of_counts(counts) == pytest.approx([0.0, 512.0, 1023.0, 1023.0])
    assert list(converter.outside(counts)) == [True, False, True, True]


def test_ideal_converter_does_not_round() -> None:
    """With 0 bits the code is the share of full scale and the inverse is exact."""
    converter = Converter(bits=0)
    volts = np.array([0.0, 0.123456789, 0.9])
    assert converter.voltage_from(converter.code(volts, 1.0, SETTING), 1.0, SETTING) == pytest.approx(volts)


def test_offset_gain_and_their_drift_in_counts() -> None:
    """Offset adds counts, gain error multiplies them, both move with temperature."""
    converter = Converter(bits=12, offset=3.0, gain_error=0.001, offset_drift=0.1, gain_drift=1e-5)
    counts = converter.counts(0.5, 1.0, Setting(temperature=35.0))
    assert counts == pytest.approx(2048.0 * 1.0011 + 4.0)


def test_nonlinearity_is_a_sine_of_the_stated_amplitude() -> None:
    """The largest departure from the line is the stated number of counts, for any phase."""
    volts = np.linspace(0.0, 1.0, 10_001)
    for phase in (0.0, 0.3, 0.75):
        converter = Converter(bits=12, integral_nonlinearity=2.0, inl_phase=phase)
        departure = converter.counts(volts, 1.0, SETTING) - 4096.0 * volts
        assert np.max(np.abs(departure)) == pytest.approx(2.0, rel=1e-4)


@pytest.mark.parametrize("periods", [1, 2, 5])
@pytest.mark.parametrize(
    ("line", "definition"), [("end point", "terminal-based"), ("best fit", "independent least squares")]
)
def test_nonlinearity_from_a_line_is_met_by_the_worst_unit(line: str, definition: str, periods: int) -> None:
    """By the bench's figure of merit for that line no phase exceeds the stated counts, and the worst reaches them."""
    volts = np.linspace(0.0, 1.0, 2001)
    converter = Converter(
        bits=16, integral_nonlinearity=3.0, inl_periods=periods, nonlinearity_line=line,
        inl_phase=np.linspace(0.0, 1.0, 721)[:, None],
    )  # fmt: skip
    counts = np.asarray(converter.counts(volts, 1.0, SETTING))
    found = [linearity(volts, row, definition, full_scale=1.0) for row in counts]
    assert max(found) == pytest.approx(3.0, rel=2e-3)
    assert min(found) < 2.9


def test_nonlinearity_without_periods_has_no_line() -> None:
    """A constant has no departure from a line to be scaled by."""
    with pytest.raises(ValueError, match="inl_periods must be 1 or more where nonlinearity_line"):
        Converter(bits=12, inl_periods=0, nonlinearity_line="end point")


def test_averaging_divides_the_noise_by_the_root() -> None:
    """Sixteen conversions leave a quarter of the noise before rounding."""
    draw = np.random.default_rng(3).standard_normal(100_000)
    converter = Converter(bits=12, noise=8.0, averaging=16, noise_draw=draw)
    code = np.asarray(converter.code(0.5, 1.0, SETTING))
    assert code.std() == pytest.approx(np.hypot(2.0, 1.0 / np.sqrt(12.0)), rel=0.02)


@pytest.mark.parametrize("gain", [0.0, 0.01, 0.05])
def test_absolute_reference_errs_one_to_one(gain: float) -> None:
    """An absolute converter whose reference is high by a share reads low by it."""
    converter = Converter(bits=0, reference="absolute", full_scale=3.0, reference_gain=gain)
    assert converter.code(1.0, 99.0, SETTING) == pytest.approx(1.0 / (3.0 * (1.0 + gain)))


@pytest.mark.parametrize(("name", "value"), [("bits", 33), ("bits", -1), ("averaging", 0)])
def test_impossible_choices_are_refused(name: str, value: int) -> None:
    """The message names the field, the value and what is possible."""
    with pytest.raises(ValueError, match=f"converter.{name} must be"):
        Converter(**{"bits": 12, name: value})
