"""A curve through measured points and its inverse: for any table that rises or falls."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from margin.chain.arrays import entries
from margin.chain.sensors.curve import Curve, curve_through

WIDTHS = st.lists(st.floats(1e-3, 1.0), min_size=1, max_size=7)


@st.composite
def curves(draw: st.DrawFn) -> Curve:
    """Curves with pieces of very unlike lengths and slopes, flat ends among them."""
    widths = draw(WIDTHS)
    rises = draw(st.lists(st.floats(1e-3, 1.0), min_size=len(widths), max_size=len(widths)))
    x, y = (np.concatenate([[0.0], np.cumsum(steps)]) for steps in (widths, rises))
    falls, straight = draw(st.booleans()), draw(st.booleans())
    return curve_through(tuple(x.tolist()), tuple((-y if falls else y).tolist()), straight)


@settings(max_examples=60, deadline=None)
@given(curve=curves(), seed=st.integers(0, 99))
def test_the_inverse_leads_back_to_what_was_wanted(curve: Curve, seed: int) -> None:
    """Inside the table and beyond its ends the curve has, at the inverse, the value that was asked for.

    Up to the rounding of a load: that of the largest load times the steepest slope, and of the largest output.
    """
    low, high = min(curve.y), max(curve.y)
    wanted = np.random.default_rng(seed).uniform(low - 0.1, high + 0.1, 300)
    found = np.asarray(curve.inverse(wanted))
    steepest = 3.0 * np.max(np.abs(np.diff(curve.y) / np.diff(curve.x)))
    reach = np.max(np.abs(found))
    rounding = 8.0 * np.finfo(float).eps * (steepest * reach + np.max(np.abs(curve.y)) + 0.1)
    assert np.max(np.abs(np.asarray(curve.value(found)) - wanted)) <= rounding


@settings(max_examples=20, deadline=None)
@given(curve=curves())
def test_a_value_does_not_depend_on_those_beside_it(curve: Curve) -> None:
    """The inverse of one value is that of the same value among others, to the bit."""
    wanted = np.linspace(min(curve.y), max(curve.y), 41)
    alone = [curve.inverse(float(value)) for value in wanted]
    np.testing.assert_array_equal(curve.inverse(wanted), alone)


def test_the_inverse_near_a_flat_end_is_that_of_a_parabola() -> None:
    """y = x^2, flat at 0: x is the root, however near the end."""
    knots = np.array([0.0, 1.0])
    curve = Curve(knots, knots, np.array([[0.0], [1.0], [0.0], [0.0]]), 1.0, 2.0)
    root = 0.5 ** np.arange(1, 60)
    assert curve.inverse(root**2) == pytest.approx(root, rel=1e-14, abs=0.0)


def test_entries_of_a_table() -> None:
    """By one place or by an array of places."""
    table = np.array([3.0, 5.0, 8.0])
    assert entries(table, 2) == 8.0
    np.testing.assert_array_equal(entries(table, np.array([[0, 1], [1, 2]])), [[3.0, 5.0], [5.0, 8.0]])
