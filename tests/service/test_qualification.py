"""Sample sizes of qualification tests, and what a finished test shows."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import gamma, weibull_min

import margin
from distributions.errors import InvalidArgument
from margin.service.qualification import (
    life_shown,
    reliability_shown,
    survival_of_test,
    units_needed,
)


@pytest.mark.parametrize(
    ("reliability", "confidence", "failures", "units"),
    [(0.9, 0.9, 0, 22), (0.95, 0.95, 0, 59), (0.9, 0.9, 1, 38), (0.99, 0.9, 0, 230), (0.9, 0.9, 2, 52)],
)
def test_success_run(reliability: float, confidence: float, failures: int, units: int) -> None:
    """Handbook table of attribute demonstration tests: 22 for 90/90, 59 for 95/95, 38 and 52 with one and two
    failures, 230 for 99/90 (MIL-HDBK-338B, section 8, from memory)."""
    assert units_needed(reliability, confidence, failures=failures) == units


@given(st.floats(0.5, 0.999), st.floats(0.5, 0.99), st.floats(0.3, 4.0), st.floats(0.5, 4.0))
def test_weibayes_without_failures(
    reliability: float, confidence: float, duration: float, shape: float
) -> None:
    """n = ln(1 - C) / (L^shape ln R), rounded up."""
    exact = math.log(1.0 - confidence) / (duration**shape * math.log(reliability))
    assert units_needed(reliability, confidence, duration=duration, shape=shape) in (
        max(math.ceil(exact * (1.0 - 1e-9)), 1),
        max(math.ceil(exact * (1.0 + 1e-9)), 1),
    )


@given(
    st.floats(0.6, 0.99), st.floats(0.5, 0.99), st.integers(0, 3), st.floats(0.5, 3.0), st.floats(0.7, 3.0)
)
def test_the_size_is_the_smallest(
    reliability: float, confidence: float, failures: int, duration: float, shape: float
) -> None:
    """A test of that size shows the reliability, one of a unit less does not: the two functions are inverses."""
    rest = {"failures": failures, "duration": duration, "shape": shape}
    units = units_needed(reliability, confidence, **rest)  # type: ignore[arg-type]
    assert reliability_shown(units, confidence, **rest) >= reliability - 1e-9  # type: ignore[arg-type]
    if units - 1 > failures:
        assert reliability_shown(units - 1, confidence, **rest) < reliability + 1e-9  # type: ignore[arg-type]


def test_a_passed_test_of_the_right_confidence() -> None:
    """Simulated: populations of just the reliability shown pass in a share 1 - C of tests."""
    rng = np.random.default_rng(11)
    reliability, duration, shape, units = 0.9, 1.5, 1.7, 13
    scale = (-math.log(reliability)) ** (-1.0 / shape)
    lives = weibull_min.rvs(shape, scale=scale, size=(40_000, units), random_state=rng)
    passed = float(np.mean((lives > duration).all(axis=1)))
    assert reliability_shown(units, 1.0 - passed, duration=duration, shape=shape) == pytest.approx(
        0.9, abs=0.004
    )


def test_weibayes_life_is_an_exact_bound() -> None:
    """With r failures in a test ended by the last of them, sum of t^shape over eta^shape is gamma with r (exact); the
    bound taken with 2 r + 2 is above that of 2 r degrees, so that its coverage, by quadrature, is at least C."""
    shape, confidence, failures = 2.0, 0.9, 3
    eta = 1000.0

    def held(total: float) -> float:
        found = life_shown(total * eta**shape, failures, confidence, shape=shape, reliability=math.exp(-1.0))
        return float(found <= eta) * float(gamma.pdf(total, failures))

    coverage = quad(held, 0.0, 60.0, limit=400, points=[5.0, 6.0, 7.0, 8.0])[0]
    assert coverage > confidence


def test_weibayes_without_failures_is_the_success_run() -> None:
    """22 units over 1,000 h show 1,000 h for 90 % of units at 90 %, and a little more as 22 is rounded up."""
    found = life_shown(22 * 1000.0**1.3, 0, 0.9, shape=1.3, reliability=0.9)
    exact = 1000.0 * (22 / (math.log(0.1) / math.log(0.9))) ** (1.0 / 1.3)
    assert found == pytest.approx(exact, rel=1e-12)


def test_all_failed_shows_nothing() -> None:
    """A lower end of 0, not an error."""
    assert reliability_shown(5, 0.9, failures=5) == 0.0


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: units_needed(1.0, 0.9), "reliability is 1"),
        (lambda: units_needed(0.9, 0.0), "confidence is 0"),
        (lambda: units_needed(0.9, math.nan), "confidence is nan"),
        (lambda: units_needed(0.9, 0.9, failures=-1), "failures is -1"),
        (lambda: units_needed(0.9, 0.9, duration=0.0), "duration is 0"),
        (lambda: units_needed(0.9, 0.9, shape=-2.0), "shape is -2"),
        (lambda: units_needed(1.0 - 1e-9, 0.99), "more than 10000000 units"),
        (lambda: survival_of_test(0.9, 1e6, 9.0), "no unit would survive"),
        (lambda: survival_of_test(0.9, 1e-6, 9.0), "every unit would survive"),
        (lambda: reliability_shown(3, 0.9, failures=4), "4 of 3 units"),
        (lambda: life_shown(0.0, 0, 0.9, shape=1.0, reliability=0.9), "sum of times is 0"),
    ],
)
def test_impossible_values_are_refused(call: object, words: str) -> None:
    """One message that names the value and its range."""
    with pytest.raises(InvalidArgument, match=words):
        call()  # type: ignore[operator]


def test_an_accelerated_test_counts_its_hours_by_arrhenius() -> None:
    """0.7 eV from 55 to 125 degC: 78 (NIST/SEMATECH e-Handbook 8.1.5.1, as in `arrhenius_factor`): 1/78 of a life shows
    what a success run of one life does, 22 units for 90/90; twice as long, with a shape of 2, a quarter of the units.
    """
    hot: dict[str, Any] = {"activation_energy": 0.7, "in_service": 55.0, "in_test": 125.0}
    found = margin.qualify(0.9, 0.9, failures=(0,), **hot)
    factor = np.exp(0.7 / 8.617333262e-5 * (1.0 / 328.15 - 1.0 / 398.15))
    assert factor == pytest.approx(78.0, abs=0.5)
    assert found.plans["duration"].tolist() == pytest.approx([1.0 / factor])
    assert found.plans["units"].tolist() == [22]
    longer = margin.qualify(0.9, 0.9, shape=2.0, durations=[2.0 / factor], failures=(0,), **hot)
    assert longer.plans["units"].tolist() == [int(np.ceil(np.log(0.1) / (4.0 * np.log(0.9))))]
    assert margin.qualify(0.9, 0.9, tested=22, **hot).shown == pytest.approx(
        margin.qualify(0.9, 0.9, tested=22).shown
    )
    assert "each hour at 125 degC counting as 77.6 at 55 degC (0.7 eV, stated)" in " ".join(
        str(found).split()
    )


@pytest.mark.parametrize(
    ("stated", "said"),
    [
        ({"activation_energy": 0.7}, "no temperature in service: an accelerated test needs"),
        ({"in_test": 125.0}, "no activation energy"),
        ({"activation_energy": -1.0, "in_service": 55.0, "in_test": 85.0}, "cannot be negative"),
        ({"activation_energy": 0.7, "in_service": -300.0, "in_test": 85.0}, "lies above -273.15"),
        ({"activation_energy": 0.7, "in_service": 55.0, "in_test": 85.0, "durations": [1.0]}, "counts as"),
    ],
)
def test_what_an_acceleration_lacks_is_named(stated: dict[str, Any], said: str) -> None:
    """One message with the mend."""
    with pytest.raises(InvalidArgument, match=said):
        margin.qualify(0.9, 0.9, **stated)
