"""How numbers are written."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from margin.estimates import numbers

_FORCES = st.floats(1e-6, 1e5, allow_nan=False)
_SHARES = st.floats(0.0, 0.998)


def plain_spaces(text: str) -> str:
    return text.replace("\N{NO-BREAK SPACE}", " ")


@pytest.mark.parametrize(
    ("value", "low", "high", "unit", "expected"),
    [
        (12.345, 12.1, 12.6, "N", "12.3 N (12.1 to 12.6 N)"),
        (12.345, 12.31, 12.39, "N", "12.34 N (12.31 to 12.39 N)"),
        (0.4213, 0.4012, 0.4431, "N", "420 mN (400 to 450 mN)"),
        (10012.0, 9871.0, 10155.0, "ohm", "10.0 kΩ (9.8 to 10.2 kΩ)"),
        (1234.0, 934.0, 1534.0, "", "1200 (900 to 1600)"),
        (-0.001, -0.04, 0.03, "degC", "-0.0010 °C (-0.040 to 0.030 °C)"),
        (0.0, -0.04, 0.03, "degC", "0.00 °C (-0.04 to 0.03 °C)"),
        (0.1464, -0.0536, 0.3464, "kg", "0.15 kg (-0.06 to 0.35 kg)"),
        (1e-17, -0.04, 0.03, "degC", "0.00 °C (-0.04 to 0.03 °C)"),
        (5.0, 5.0, 5.0, "V", "5 V (5 to 5 V)"),
        (3.2e-6, 3.0e-6, 3.4e-6, "A", "3.2 µA (3.0 to 3.4 µA)"),
    ],
)
def test_digits_follow_the_interval(value: float, low: float, high: float, unit: str, expected: str) -> None:
    """The last digit is the first significant one of the half-width (JCGM 100, 7.2.6: at most two), or the second one
    of the number where that is finer."""
    assert plain_spaces(numbers.with_interval(value, low, high, unit)) == expected


@pytest.mark.parametrize(
    ("value", "low", "high", "expected"),
    [
        (0.9734, 0.971, 0.976, "97.3 % (97.1 to 97.6 %)"),
        (0.5, 0.3, 0.7, "50 % (30 to 70 %)"),
        (0.1464, 0.05, 0.25, "15 % (0 to 30 %)"),
        (0.99988, 0.99983, 0.99992, "99.988 % (99.983 to 99.992 %)"),
        (0.9996, 0.97, 1.0, "99.96 % (97 to 100 %)"),
        (1.0, 0.9, 1.0, "100 % (90 to 100 %)"),
        (0.0, 0.0, 0.002, "0.0 % (0.0 to 0.2 %)"),
        (1.0, 1.0, 1.0, "100 % (100 to 100 %)"),
    ],
)
def test_shares_are_percentages(value: float, low: float, high: float, expected: str) -> None:
    """A share is a percentage however near to 1; it reads 100 % only where none fails."""
    shown = f"{numbers.share_value(value, low, high)} ({numbers.share_interval(low, high)})"
    assert plain_spaces(shown) == expected


@pytest.mark.parametrize(
    ("value", "low", "high", "expected"),
    [
        (0.8, 0.7, 0.9, "+0.80 points (+0.70 to +0.90 points)"),
        (-2.0, -3.0, -1.0, "-2.0 points (-3.0 to -1.0 points)"),
        (0.1, -0.1, 0.3, "below resolution (within ±0.30 points)"),
        (0.0, 0.0, 0.0, "below resolution"),
    ],
)
def test_changes_below_their_noise_say_so(value: float, low: float, high: float, expected: str) -> None:
    """A change whose interval contains zero is never shown as a number of its own."""
    assert plain_spaces(numbers.change(value, low, high, "points")) == expected


def test_unresolved_change_is_not_shown() -> None:
    """A change judged below resolution stays so even if its interval excludes zero."""
    assert numbers.change(1.0, 0.5, 1.5, "N", resolved=False).startswith(numbers.BELOW_RESOLUTION)


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        (4700.0, "ohm", "4.7 kΩ"),
        (-0.0, "N", "0 N"),
        (0.000123, "V", "123 µV"),
        (999.96, "V", "1 kV"),
        (20.0, "N", "20 N"),
        (6e-5, "1/K", "60 ppm/K"),
        (0.002, "1/K", "0.2 %/K"),
        (-1.4e-16, "N", "0 N"),
        (2.5e-6, "", "0.0000025"),
        (123456789.0, "", "123000000"),
        (123456.0, "", "123000"),
    ],
)
def test_plain_numbers_carry_an_engineering_prefix(value: float, unit: str, expected: str) -> None:
    """Numbers without interval have three digits, a prefix in steps of a thousand, no trailing zeros."""
    assert plain_spaces(numbers.plain(value, unit)) == expected


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_what_is_not_finite_is_not_determined(bad: float) -> None:
    """NaN and infinity never reach the reader; the reason stands in their place."""
    shown = [
        numbers.plain(bad, "N", reason="no draws"),
        numbers.with_interval(bad, 0.0, 1.0, "N", reason="no draws"),
        numbers.share_value(0.5, bad, 1.0, reason="no draws"),
        numbers.change(0.5, 0.1, bad, "N", reason="no draws"),
        numbers.lower_bound(bad, 0.0, 1.0, reason="no draws"),
    ]
    assert set(shown) == {"not determined (no draws)"}


@pytest.mark.parametrize(
    ("bound", "low", "high", "target", "shown"),
    [
        (0.953, 0.80, 1.0, 0.95, "95 %"),
        (0.9994, 0.99, 1.0, 0.999, "99.9 %"),
        (0.9989, 0.99, 1.0, 0.999, "99.8 %"),
        (0.953, 0.95, 0.956, 0.9, "95.3 %"),
    ],
)
def test_lower_bound_is_never_coarser_than_its_target(
    bound: float, low: float, high: float, target: float, shown: str
) -> None:
    """A bound that reaches its target is shown to reach it, one that does not is shown below."""
    assert plain_spaces(numbers.lower_bound(bound, low, high, target=target)) == shown


def test_lower_bound_is_rounded_down() -> None:
    """A bound just below the target does not read as the target."""
    assert plain_spaces(numbers.lower_bound(0.94996, 0.948, 0.952)) == "94.9 %"


def test_counts_are_grouped() -> None:
    """Digits of whole numbers stand in groups of three."""
    assert plain_spaces(numbers.count(1234567)) == "1 234 567"


@settings(max_examples=150, deadline=None)
@given(value=_FORCES, down=st.floats(1e-4, 0.9), up=st.floats(1e-4, 0.9), sign=st.sampled_from([-1.0, 1.0]))
def test_shown_interval_contains_the_estimated_one(value: float, down: float, up: float, sign: float) -> None:
    """Rounding widens an interval, by less than one digit at each end, and never narrows it."""
    low, high = sorted((sign * value * (1.0 - down), sign * value * (1.0 + up)))
    scale = numbers.Scale(1.0, "")
    text = numbers.interval(low, high, scale=scale)
    shown_low, shown_high = (float(part) for part in text.split(" to "))
    digit = numbers.digit_supported(low, high)
    assert digit is not None
    slack = 1e-9 * abs(value)
    assert low - 1.001 * 10.0**digit - slack <= shown_low <= low + slack
    assert high - slack <= shown_high <= high + 1.001 * 10.0**digit + slack
    assert 10.0**digit <= (high - low) / 2.0 * (1.0 + 1e-9)


@settings(max_examples=150, deadline=None)
@given(value=st.floats(-1.0, 1.0), half=st.floats(1e-9, 1.0))
def test_no_negative_zero(value: float, half: float) -> None:
    """A rounded zero has no sign."""
    text = numbers.with_interval(value, value - half, value + half, "N", signed=True)
    assert not re.search(r"[-+]0(\.0+)?(?![\d.])", text)


def _digits(text: str) -> str:
    """Significant digits of a written number."""
    return text.lstrip("+-").replace(".", "").lstrip("0")


@settings(max_examples=300, deadline=None)
@given(
    value=st.floats(1e-6, 1e9),
    sign=st.sampled_from([-1.0, 1.0]),
    down=st.floats(1e-9, 1e5),
    up=st.floats(1e-9, 1e5),
)
def test_a_number_reads_back(value: float, sign: float, down: float, up: float) -> None:
    """Whatever the interval: no exponent, two significant digits or more, and within half a unit of the last digit."""
    value *= sign
    low, high = value - down * abs(value), value + up * abs(value)
    text = numbers.value_only(value, low, high, scale=numbers.Scale(1.0, ""))
    assert re.fullmatch(r"-?\d+(\.\d+)?", text)
    last = numbers.last_digit(value, low, high)
    # an interval so narrow that its ends are the same number supports any digit
    unit = 10.0**last if last is not None else 10.0 ** (math.floor(math.log10(abs(value))) - 3)
    assert abs(float(text) - value) <= unit * (0.5 + 1e-6) + 1e-9 * abs(value)
    assert len(_digits(text)) >= 2 or last is None


@settings(max_examples=200, deadline=None)
@given(value=st.one_of(st.just(0.0), st.floats(1e-6, 9e8)), sign=st.sampled_from([-1.0, 1.0]))
def test_a_plain_number_reads_back(value: float, sign: float) -> None:
    """Three significant digits without an exponent."""
    text = numbers.plain(sign * value)
    assert re.fullmatch(r"-?\d+(\.\d+)?", text)
    assert math.isclose(float(text), sign * value, rel_tol=5.001e-3)


@settings(max_examples=100, deadline=None)
@given(noise=st.floats(-1e-12, 1e-12))
def test_rounding_errors_of_zero_read_zero(noise: float) -> None:
    """What is left over of a difference of equal numbers reads '0 %'."""
    assert plain_spaces(numbers.percent(noise)) == "0 %"


@settings(max_examples=100, deadline=None)
@given(bound=_SHARES, width=st.floats(1e-5, 0.3))
def test_lower_bound_never_promises_more(bound: float, width: float) -> None:
    """The bound shown is at most the bound."""
    text = numbers.lower_bound(bound, bound, min(1.0, bound + width))
    assert float(text.split("\N{NO-BREAK SPACE}")[0]) <= 100.0 * bound * (1.0 + 1e-11) + 1e-12
