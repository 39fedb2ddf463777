"""Memory along steps of load, against direct sums, play operators and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from margin.chain.memory import Memory, delayed_parts
from margin.chain.sensors import creep_factor, play

STEPS = st.lists(st.tuples(st.integers(0, 12), st.floats(0.1, 50.0)), min_size=1, max_size=20)


def memory(
    loads: list[float], seconds: list[float] | float = 1.0, peak: float = 30.0, recovery: float = 5.0
) -> Memory:
    """Steps of the same length, or of those given."""
    lasting = np.broadcast_to(np.asarray(seconds, dtype=float), (len(loads),)).copy()
    return Memory(np.asarray(loads, dtype=float), lasting, peak, recovery)


@pytest.mark.parametrize("decades", [4, 8, 14])
def test_delayed_parts_follow_the_logarithm(decades: int) -> None:
    """Within 0.1 % of a decade's creep from a thousandth of the reference time to the end of the span."""
    times, weights = delayed_parts(decades)
    at = 10.0 ** np.linspace(-3.0, -3.0 + decades - 2.0, 501)
    found = (1.0 - np.exp(-at[:, np.newaxis] / times)) @ weights
    assert np.abs(found - (np.log10(at) + 3.0)).max() < 1e-3


@given(st.floats(0.01, 1e6), st.floats(0.1, 10.0))
@settings(max_examples=40)
def test_a_step_after_a_rest_is_the_static_law(dwell: float, reference: float) -> None:
    """The creep of one step is that of `creep_factor` at its dwell."""
    found = memory([20.0], dwell).crept(np.ones(1), reference)[0]
    assert 1.0 + 0.03 * found == pytest.approx(float(creep_factor(0.03, dwell, reference)), abs=1e-4)


@given(STEPS, st.floats(0.2, 2.0))
@settings(max_examples=40)
def test_creep_is_the_sum_of_its_steps(steps: list[tuple[int, float]], reference: float) -> None:
    """Boltzmann's superposition, written out: each change of the output brings its own logarithm."""
    loads, seconds = (list(map(float, column)) for column in zip(*steps, strict=True))
    output = np.asarray(loads) ** 0.8
    ends = np.cumsum(seconds)
    begins = ends - seconds
    changes = np.diff(output, prepend=0.0)
    expected = [
        sum(
            change * math.log10(max((end - begin) / reference, 1e-3))
            for change, begin in zip(changes[: k + 1], begins[: k + 1], strict=True)
        )
        for k, end in enumerate(ends)
    ]
    found = memory(loads, seconds).crept(output, reference)
    assert found == pytest.approx(np.array(expected), abs=2e-3 * (1.0 + output.max()) * len(steps))


def test_recovery_after_a_step() -> None:
    """After a load of t1 the output of the law recovers as log10((t + t1) / t), t after its removal."""
    for rest in (1.0, 10.0, 100.0):
        found = memory([20.0, 0.0], [30.0, rest]).crept(np.array([1.0, 0.0]), 1.0)[-1]
        assert found == pytest.approx(math.log10((rest + 30.0) / rest), abs=1e-3)


def test_a_reference_time_of_each_unit() -> None:
    """Units with their own reference times creep as each would alone."""
    steps = memory([20.0, 0.0, 10.0], [3.0, 40.0, 2.0])
    output = np.array([1.0, 0.0, 0.6])
    times = np.array([0.5, 1.0, 4.0]).reshape(3, 1)
    together = steps.crept(np.broadcast_to(output, (3, 3)), times)
    for row, time in zip(together, times.ravel(), strict=True):
        assert row == pytest.approx(steps.crept(output, float(time)), abs=2e-3)


@given(st.lists(st.integers(0, 10), min_size=1, max_size=25))
@settings(max_examples=80)
def test_the_loop_is_that_of_play_operators(course: list[int]) -> None:
    """Play operators of all widths with one weight, cycled to the peak before: Rayleigh's law, as a sum of 4,000."""
    loads, peak, number = 3.0 * np.asarray(course, dtype=float), 30.0, 4000
    # no operator wider than half of the cycle moves
    widths = (np.arange(number) + 0.5) * (0.5 * peak / number)
    cycled = np.concatenate([[0.0, peak, 0.0], loads])
    sums = play(cycled, widths).sum(axis=-1) * (0.5 * peak / number)
    # the ascending branch of the cycled loop, by the same operators
    ascending = np.array([play(np.array([0.0, peak, 0.0, at]), widths)[-1].sum() for at in loads])
    ascending *= 0.5 * peak / number
    # largest excess over a whole cycle: half of it, at half of the peak
    height = peak**2 / 8.0
    assert memory(loads.tolist()).branch == pytest.approx((sums[3:] - ascending) / height, abs=2e-3)


def test_a_whole_cycle_is_the_static_loop() -> None:
    """0 while the load grows, 4 u (1 - u) while it falls from the peak."""
    up, down = [5.0, 15.0, 25.0, 30.0], [25.0, 15.0, 5.0, 0.0]
    found = memory([*up, *down]).branch
    share = np.asarray(down) / 30.0
    assert found[:4] == pytest.approx(np.zeros(4), abs=1e-12)
    assert found[4:] == pytest.approx(4.0 * share * (1.0 - share), abs=1e-12)


def test_a_smaller_cycle_has_a_loop_smaller_by_the_square() -> None:
    """Half of the load, a quarter of the excess at its middle."""
    assert memory([15.0, 7.5]).branch[-1] == pytest.approx(0.25, abs=1e-12)


def test_a_load_beyond_the_peak_opens_the_loop_further() -> None:
    """The cycle then goes to the largest load of the history."""
    found = memory([60.0, 30.0]).branch
    assert found == pytest.approx([0.0, 1.0], abs=1e-12)


def test_what_is_left_vanishes() -> None:
    """The whole output at once, then less by the time constant; a step down to a part leaves the difference."""
    found = memory([20.0, 0.0, 0.0, 10.0], [1.0, 2.0, 3.0, 1.0]).left_over(np.array([4.0, 0.0, 0.0, 2.0]))
    decay = [math.exp(-2.0 / 5.0), math.exp(-5.0 / 5.0)]
    assert found == pytest.approx([0.0, 4.0 * decay[0], 4.0 * decay[1], 0.0])
    assert memory([20.0, 10.0], 1e-9).left_over(np.array([4.0, 1.0]))[1] == pytest.approx(3.0)


def test_a_filter_of_one_pole() -> None:
    """Steps through a pole, against the differential equation solved numerically."""
    loads, seconds, tau = [1.0, 3.0, 0.0, 2.0], [0.3, 0.2, 0.5, 0.1], 0.25
    values = np.asarray(loads)
    ends = np.cumsum(seconds)

    def slope(at: float, state: np.ndarray) -> np.ndarray:
        return (values[min(int(np.searchsorted(ends, at, side="right")), 3)] - state) / tau

    state, expected = np.array([1.0]), []
    for begin, end in zip(ends - seconds, ends, strict=True):
        state = solve_ivp(slope, (begin, end - 1e-12), state, rtol=1e-10, atol=1e-12).y[:, -1]
        expected.append(float(state[0]))
    found = memory(loads, seconds).settled(values, tau)
    assert found == pytest.approx(expected, rel=1e-6)


def test_placements_begin_where_a_load_grows_from_none() -> None:
    """A load that is changed without being taken off stays placed."""
    assert memory([0.0, 5.0, 9.0, 0.0, 0.0, 3.0, 1.0, 0.0]).placements.tolist() == [0, 1, 1, 1, 1, 5, 5, 5]
