"""Hysteresis with memory and creep along load histories."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from margin.chain import Setting, ThinFilm
from margin.chain.sensors import creep_factor, exponential_creep, play, remembered_load, terms_for_decades

THRESHOLDS = np.array([0.0, 1.0, 2.0, 4.0])
WEIGHTS = np.array([0.7, 0.1, 0.1, 0.1])


@given(st.floats(6.0, 20.0), st.floats(0.0, 1.0), st.floats(0.0, 1.0))
@settings(max_examples=60)
def test_minor_loops_are_wiped_out(peak: float, low: float, back: float) -> None:
    """Once the load passes an earlier extreme, the excursion inside it has left no trace."""
    minor_low = low * peak
    minor_high = minor_low + back * (peak - minor_low)
    with_loop = np.array([0.0, peak, minor_low, minor_high, minor_low, 0.0])
    without = np.array([0.0, peak, 0.0])
    expected = remembered_load(without, THRESHOLDS, WEIGHTS)[-1]
    assert remembered_load(with_loop, THRESHOLDS, WEIGHTS)[-1] == pytest.approx(expected, abs=1e-12)


def test_play_follows_with_its_width() -> None:
    """A play operator of half width r lags r behind on both branches and stands still in between."""
    followed = play(np.array([0.0, 5.0, 4.0, 3.0, 0.0]), np.array([1.0]))[:, 0]
    assert followed == pytest.approx([0.0, 4.0, 4.0, 4.0, 1.0])


def test_minor_loops_are_congruent() -> None:
    """Loops between the same two loads have the same width whatever went before (Prandtl-Ishlinskii)."""
    first = remembered_load(np.array([0.0, 10.0, 4.0, 7.0, 4.0]), THRESHOLDS, WEIGHTS)
    second = remembered_load(np.array([0.0, 20.0, 4.0, 7.0, 4.0]), THRESHOLDS, WEIGHTS)
    assert first[3] - first[2] == pytest.approx(second[3] - second[2])


def test_histories_run_for_many_units_at_once() -> None:
    """Rows of a two-dimensional history give what each gives alone."""
    loads = np.array([[0.0, 8.0, 3.0, 5.0], [0.0, 2.0, 9.0, 1.0]])
    together = remembered_load(loads, THRESHOLDS, WEIGHTS)
    for row, alone in zip(together, loads, strict=True):
        assert row == pytest.approx(remembered_load(alone, THRESHOLDS, WEIGHTS))


def test_doubling_the_decades_doubles_the_creep() -> None:
    """Logarithmic creep is 0 at its reference time and proportional to the decades since."""
    assert creep_factor(0.03, 10.0, 10.0) == 1.0
    one, two = creep_factor(0.03, 100.0, 10.0) - 1.0, creep_factor(0.03, 1000.0, 10.0) - 1.0
    assert one == pytest.approx(0.03)
    assert two == pytest.approx(2.0 * one)


def test_creep_has_a_value_at_the_moment_of_loading() -> None:
    """At time 0 the factor stays finite, at three decades below the reference time."""
    assert creep_factor(0.03, 0.0, 1.0) == pytest.approx(1.0 - 0.09)


def test_exponential_sum_follows_the_logarithm() -> None:
    """One time constant a decade stays within a quarter of the creep per decade of the log law."""
    c = 0.02
    amplitudes, times = terms_for_decades(c, 0.1, 6)
    interval = np.diff(np.concatenate([[0.0], np.logspace(0.0, 3.0, 61)]))
    load = np.ones(interval.size)
    response = exponential_creep(load, interval, amplitudes, times)
    elapsed = np.cumsum(interval)
    ripple = response / response[0] - creep_factor(c / response[0], elapsed, 1.0)
    assert np.max(np.abs(ripple)) < 0.25 * c


def test_exponential_creep_is_exact_for_any_step() -> None:
    """Two steps of any length give what one long step gives, and unloading recovers."""
    a, tau = np.array([0.02, 0.05]), np.array([1.0, 30.0])
    once = exponential_creep(np.array([5.0]), 7.0, a, tau)[-1]
    twice = exponential_creep(np.array([5.0, 5.0]), np.array([2.0, 5.0]), a, tau)[-1]
    assert twice == pytest.approx(once, rel=1e-14)
    assert once == pytest.approx(5.0 * (1.0 + np.sum(a * (1.0 - np.exp(-7.0 / tau)))))
    gone = exponential_creep(np.array([5.0, 0.0]), np.array([7.0, 1e4]), a, tau)[-1]
    assert gone == pytest.approx(0.0, abs=1e-9)


def test_sequence_of_a_pad_without_memory_is_its_static_curve() -> None:
    """With a single play of width 0 and no delayed part the history gives the static conductance."""
    pad = ThinFilm(sensitivity=1e-5, exponent=0.9, reference_load=5.0, creep=0.05, hysteresis=0.1)
    load = np.array([0.0, 2.0, 5.0, 2.0])
    out = pad.respond_sequence(
        load, Setting(), thresholds=np.array([0.0]), weights=np.array([1.0]), interval=1.0,
        amplitudes=np.array([0.0]), times=np.array([1.0]),
    )  # fmt: skip
    assert out == pytest.approx(1e-5 * (load / 5.0) ** 0.9)


def test_sequence_of_a_pad_opens_a_loop() -> None:
    """With memory the descending branch lies above the ascending one and meets it again at the peak."""
    pad = ThinFilm(sensitivity=1e-5, exponent=0.9, reference_load=5.0)
    load = np.array([0.0, 6.0, 12.0, 6.0])
    out = np.asarray(
        pad.respond_sequence(
            load, Setting(), thresholds=THRESHOLDS, weights=WEIGHTS, interval=1.0,
            amplitudes=np.array([0.01]), times=np.array([10.0]),
        )
    )  # fmt: skip
    assert out[3] > out[1]
