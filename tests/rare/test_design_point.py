"""The most likely failing point: where it lies and how it reads."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from limit_states import Limit
from rare_limits import linear

from margin.estimates.rare import RareEventError, describe
from margin.estimates.rare.design_point import distinct, relevant, search
from margin.estimates.rare.limit import CountedLimit


@settings(max_examples=25, deadline=None)
@given(st.lists(st.floats(-3, 3), min_size=2, max_size=6), st.floats(1.0, 6.0))
def test_a_plane_is_reached_at_its_foot(slopes: list[float], beta: float) -> None:
    """For a linear limit the design point is beta times the unit normal, in a few evaluations."""
    normal = np.array(slopes) + np.array([4.0] + [0.0] * (len(slopes) - 1))
    unit = normal / np.linalg.norm(normal)
    limit = CountedLimit(Limit(len(unit), lambda z: beta - unit @ z), len(unit))
    point = search(limit, np.zeros(len(unit)), beta)
    assert point is not None
    assert point.converged
    np.testing.assert_allclose(point.z, beta * unit, atol=0.02)
    np.testing.assert_allclose(point.direction, unit, atol=1e-6)
    assert limit.evaluations <= 3 * (2 * len(unit) + 2)


@pytest.mark.parametrize("together", [False, True])
def test_a_curved_limit_is_reached_at_its_nearest_point(together: bool) -> None:
    """x1 x2 = 3 comes nearest at (sqrt 3, sqrt 3), at distance sqrt 6, whether steps are tried in turn or at once."""
    limit = CountedLimit(Limit(2, lambda z: 3 - z[0] * z[1]), 2)
    point = search(limit, np.array([1.0, 0.5]), 3.0, together=together)
    assert point is not None
    np.testing.assert_allclose(point.z, [np.sqrt(3), np.sqrt(3)], atol=0.05)
    assert point.beta == pytest.approx(np.sqrt(6), abs=0.01)


def test_a_flat_margin_leads_nowhere() -> None:
    """Without a slope there is no point, and no error either."""
    assert search(CountedLimit(Limit(2, lambda z: np.ones(z.shape[1])), 2), np.zeros(2), 1.0) is None


def test_a_limit_out_of_reach_leads_nowhere() -> None:
    """A limit at 40 standard deviations is not chased."""
    assert search(CountedLimit(linear(40.0, 2).limit, 2), np.zeros(2), 40.0) is None


def test_points_alike_are_one_and_far_ones_are_dropped() -> None:
    """Two searches to one place count once; a point that adds less than a thousandth is left out."""
    limit = CountedLimit(Limit(2, lambda z: np.minimum(3.0 - z[0], 6.0 + z[0])), 2)
    starts = ([1.0, 0.0], [1.0, 1.0], [-4.0, 0.0])
    points = [point for start in starts if (point := search(limit, np.array(start), 3.0)) is not None]
    assert len(distinct(points)) == 2
    assert [round(point.beta, 2) for point in relevant(distinct(points))] == [3.0]


def test_the_description_names_factors_and_physical_values() -> None:
    """The factor that tells most stands first, with its value; one near its median is left out."""
    text = describe(
        ("reference voltage", "amplifier offset", "feedback resistor"),
        np.array([0.1, -3.0, 2.0]),
        lambda z: np.array([2.5, 0.0, 1e4]) * 1.0 + np.array([0.01, 1e-3, 50.0]) * z,
    )
    lines = text.splitlines()
    assert "3.61 standard deviations" in lines[0]
    assert "amplifier offset at -0.003 (3.00 standard deviations below its median" in lines[1]
    assert "feedback resistor at 1.01e+04" in lines[2]
    assert "reference voltage" not in text


def test_the_description_refuses_lengths_that_disagree() -> None:
    """One name, one coordinate and one value for each factor."""
    with pytest.raises(RareEventError, match="2 names"):
        describe(("a", "b"), np.array([1.0]), lambda z: z)
