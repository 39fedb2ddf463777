"""Preferred numbers of IEC 60063 against its tables."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from margin.chain.preferred_values import (
    SERIES,
    e24_near,
    preferred_between,
    preferred_near,
)

TABLES = {
    "E3": "1.0 2.2 4.7",
    "E6": "1.0 1.5 2.2 3.3 4.7 6.8",
    "E12": "1.0 1.2 1.5 1.8 2.2 2.7 3.3 3.9 4.7 5.6 6.8 8.2",
    "E24": (
        "1.0 1.1 1.2 1.3 1.5 1.6 1.8 2.0 2.2 2.4 2.7 3.0 3.3 3.6 3.9 4.3 4.7 5.1 5.6 6.2 6.8 7.5 8.2 9.1"
    ),
    "E48": (
        "1.00 1.05 1.10 1.15 1.21 1.27 1.33 1.40 1.47 1.54 1.62 1.69 1.78 1.87 1.96 2.05 2.15 2.26 2.37 2.49 2.61 2.74 "
        "2.87 3.01 3.16 3.32 3.48 3.65 3.83 4.02 4.22 4.42 4.64 4.87 5.11 5.36 5.62 5.90 6.19 6.49 6.81 7.15 7.50 7.87 "
        "8.25 8.66 9.09 9.53"
    ),
    "E96": (
        "1.00 1.02 1.05 1.07 1.10 1.13 1.15 1.18 1.21 1.24 1.27 1.30 1.33 1.37 1.40 1.43 1.47 1.50 1.54 1.58 1.62 1.65 "
        "1.69 1.74 1.78 1.82 1.87 1.91 1.96 2.00 2.05 2.10 2.15 2.21 2.26 2.32 2.37 2.43 2.49 2.55 2.61 2.67 2.74 2.80 "
        "2.87 2.94 3.01 3.09 3.16 3.24 3.32 3.40 3.48 3.57 3.65 3.74 3.83 3.92 4.02 4.12 4.22 4.32 4.42 4.53 4.64 4.75 "
        "4.87 4.99 5.11 5.23 5.36 5.49 5.62 5.76 5.90 6.04 6.19 6.34 6.49 6.65 6.81 6.98 7.15 7.32 7.50 7.68 7.87 8.06 "
        "8.25 8.45 8.66 8.87 9.09 9.31 9.53 9.76"
    ),
    "E192": (
        "1.00 1.01 1.02 1.04 1.05 1.06 1.07 1.09 1.10 1.11 1.13 1.14 1.15 1.17 1.18 1.20 1.21 1.23 1.24 1.26 1.27 1.29 "
        "1.30 1.32 1.33 1.35 1.37 1.38 1.40 1.42 1.43 1.45 1.47 1.49 1.50 1.52 1.54 1.56 1.58 1.60 1.62 1.64 1.65 1.67 "
        "1.69 1.72 1.74 1.76 1.78 1.80 1.82 1.84 1.87 1.89 1.91 1.93 1.96 1.98 2.00 2.03 2.05 2.08 2.10 2.13 2.15 2.18 "
        "2.21 2.23 2.26 2.29 2.32 2.34 2.37 2.40 2.43 2.46 2.49 2.52 2.55 2.58 2.61 2.64 2.67 2.71 2.74 2.77 2.80 2.84 "
        "2.87 2.91 2.94 2.98 3.01 3.05 3.09 3.12 3.16 3.20 3.24 3.28 3.32 3.36 3.40 3.44 3.48 3.52 3.57 3.61 3.65 3.70 "
        "3.74 3.79 3.83 3.88 3.92 3.97 4.02 4.07 4.12 4.17 4.22 4.27 4.32 4.37 4.42 4.48 4.53 4.59 4.64 4.70 4.75 4.81 "
        "4.87 4.93 4.99 5.05 5.11 5.17 5.23 5.30 5.36 5.42 5.49 5.56 5.62 5.69 5.76 5.83 5.90 5.97 6.04 6.12 6.19 6.26 "
        "6.34 6.42 6.49 6.57 6.65 6.73 6.81 6.90 6.98 7.06 7.15 7.23 7.32 7.41 7.50 7.59 7.68 7.77 7.87 7.96 8.06 8.16 "
        "8.25 8.35 8.45 8.56 8.66 8.76 8.87 8.98 9.09 9.20 9.31 9.42 9.53 9.65 9.76 9.88"
    ),
}
"""Tables of IEC 60063, written out from memory."""

NAMES = list(TABLES)


@pytest.mark.parametrize("name", NAMES)
def test_a_series_is_the_table_of_the_standard(name: str) -> None:
    """Every number of every series is that of IEC 60063 (tables from memory), to the last digit."""
    assert SERIES[name] == tuple(float(number) for number in TABLES[name].split())


@pytest.mark.parametrize("name", NAMES)
def test_a_series_has_as_many_numbers_as_its_name_says_and_rises(name: str) -> None:
    """E12 has twelve numbers, each larger than the one before, within one decade from 1."""
    numbers = SERIES[name]
    assert len(numbers) == int(name[1:]) and numbers[0] == 1.0 and numbers[-1] < 10.0
    assert all(low < high for low, high in pairwise(numbers))


@pytest.mark.parametrize("first", [0, 1, 2, 4, 5])
def test_each_series_holds_every_number_of_the_next_coarser_one(first: int) -> None:
    """E3 to E24, and E48 to E192, are nested: the coarser series is every second number of the finer one."""
    assert SERIES[NAMES[first]] == SERIES[NAMES[first + 1]][::2]


@pytest.mark.parametrize(("name", "digits"), [("E24", 1), ("E192", 2)])
def test_departures_from_the_formula_are_those_of_the_standard(name: str, digits: int) -> None:
    """E24 departs from the rounded powers of ten at 2.7 to 4.7 and 8.2, E192 at 9.20 alone (IEC 60063, from memory)."""
    numbers = SERIES[name]
    formula = [round(10.0 ** (k / len(numbers)), digits) for k in range(len(numbers))]
    departed = [n for n, f in zip(numbers, formula, strict=True) if n != f]
    assert departed == {"E24": [2.7, 3.0, 3.3, 3.6, 3.9, 4.3, 4.7, 8.2], "E192": [9.2]}[name]


@pytest.mark.parametrize(("name", "tolerance"), [("E6", 0.2), ("E12", 0.1), ("E24", 0.05), ("E96", 0.01)])
def test_steps_match_the_tolerance_that_a_series_was_made_for(name: str, tolerance: float) -> None:
    """Neighbours are apart by about twice the tolerance of their series, so that parts leave hardly a gap between them:
    20 % for E6, 10 % for E12, 5 % for E24, 1 % for E96 (IEC 60063, from memory)."""
    numbers = [*SERIES[name], 10.0]
    ratios = [high / low for low, high in pairwise(numbers)]
    geometric = math.exp(sum(map(math.log, ratios)) / len(ratios))
    assert geometric == pytest.approx(10.0 ** (1.0 / len(SERIES[name])), rel=1e-12)
    assert 0.8 * 2.0 * tolerance < geometric - 1.0 < 1.35 * 2.0 * tolerance


@given(st.sampled_from(NAMES), st.floats(1e-12, 1e9))
def test_the_nearest_number_is_within_the_series_and_nearest(name: str, value: float) -> None:
    """No neighbour of the nearest number is nearer by ratio, and a decade up everything is ten times as large."""
    found = preferred_near(name, value)
    away = abs(math.log(found / value))
    assert all(away <= abs(math.log(preferred_near(name, value, step) / value)) + 1e-12 for step in (-1, 1))
    assert preferred_near(name, value, len(SERIES[name])) == pytest.approx(10.0 * found, rel=1e-12)


@given(st.sampled_from(NAMES), st.floats(1e-9, 1e6), st.floats(1.0, 1e3))
def test_a_range_holds_the_numbers_between_its_ends(name: str, low: float, ratio: float) -> None:
    """A range has all numbers of the series between its ends, about the decades times the numbers of a decade."""
    found = preferred_between(name, low, low * ratio)
    assert all(low <= value <= low * ratio for value in found) and list(found) == sorted(set(found))
    assert abs(len(found) - len(SERIES[name]) * math.log10(ratio)) <= 2.0


def test_a_range_has_both_ends() -> None:
    """From 1 kohm to 10 kohm E12 has its twelve numbers and the upper end, as exact decimal numbers."""
    assert preferred_between("E12", 1e3, 1e4) == tuple(1e3 * n for n in SERIES["E12"][:1]) + tuple(
        float(f"{n}e3") for n in SERIES["E12"][1:]
    ) + (1e4,)


def test_e24_near_is_that_of_the_series() -> None:
    """The shorthand counts steps of E24."""
    assert e24_near(4.6e3) == 4.7e3 and e24_near(4.6e3, 1) == 5.1e3 == preferred_near("E24", 4.6e3, 1)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: preferred_near("E97", 1.0), "E97"),
        (lambda: preferred_near("E24", 0.0), "positive"),
        (lambda: preferred_near("E24", math.nan), "positive"),
        (lambda: preferred_between("E24", 2.0, 1.0), "range"),
        (lambda: preferred_between("E24", 0.0, 1.0), "range"),
    ],
)
def test_bad_requests_are_refused(call: object, said: str) -> None:
    """An unknown series, a value without a logarithm and an empty range raise ValueError that says which."""
    with pytest.raises(ValueError, match=said):
        call()  # type: ignore[operator]
