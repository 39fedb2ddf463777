"""The nearest failing draw, on smooth limits, steps and corners."""

from __future__ import annotations

import numpy as np
import pytest
from limit_states import Limit
from rare_limits import linear

from margin.estimates.rare import nearest_failing
from margin.estimates.rare.draws import Draws
from margin.estimates.rare.limit import CountedLimit
from margin.estimates.rare.nearest import drawn_back


def starts_for(dimension: int) -> np.ndarray:
    """Draws far out, as they are met among plain ones widened twofold."""
    return 2.0 * Draws(1, "test").normals(500, dimension)


@pytest.mark.parametrize("dimension", [1, 3, 200])
def test_the_nearest_point_of_a_plane_is_its_foot(dimension: int) -> None:
    """beta - a z fails nearest at beta a; factors that the limit does not know stay at their median."""
    weights = np.zeros(dimension)
    weights[:3] = np.array([2.0, -1.0, 0.5])[:dimension]
    weights /= np.linalg.norm(weights)
    limit = CountedLimit(Limit(dimension, lambda z: 3.0 - weights @ z), dimension)
    z = nearest_failing(limit, starts_for(dimension))
    assert z is not None
    assert limit(z[None, :])[0] < 0
    assert np.linalg.norm(z) == pytest.approx(3.0, abs=0.02)
    np.testing.assert_allclose(z, 3.0 * weights, atol=0.12)
    assert np.all(z[3:] == 0.0)


def test_steps_do_not_hide_it() -> None:
    """Of a limit in steps of half a standard deviation the nearest failing draw is found within a hundredth."""
    limit = CountedLimit(Limit(4, lambda z: 3.25 - np.floor((z[0] + z[1]) / np.sqrt(2.0) / 0.5) * 0.5), 4)
    z = nearest_failing(limit, starts_for(4))
    assert z is not None
    assert np.linalg.norm(z) == pytest.approx(3.5, abs=0.05)


def test_of_two_regions_the_nearer_is_taken() -> None:
    """A series system with branches at 3.0 and 2.6 standard deviations fails most likely by the second."""
    limit = CountedLimit(Limit(5, lambda z: np.minimum(3.0 - z[0], 2.6 + z[4])), 5)
    z = nearest_failing(limit, starts_for(5))
    assert z is not None
    np.testing.assert_allclose(z, [0.0, 0.0, 0.0, 0.0, -2.6], atol=0.01)


def test_a_corner_needs_both_its_factors() -> None:
    """Where two things must go wrong together (a parallel system), both stay in the failing draw."""
    limit = CountedLimit(Limit(6, lambda z: np.maximum(2.0 - z[0], 1.5 - z[1])), 6)
    z = nearest_failing(limit, starts_for(6))
    assert z is not None
    np.testing.assert_allclose(z[:2], [2.0, 1.5], atol=0.05)
    assert np.all(z[2:] == 0.0)


def test_without_a_failing_start_there_is_none() -> None:
    """Nothing is made up."""
    limit = CountedLimit(linear(30.0, 2).limit, 2)
    assert nearest_failing(limit, starts_for(2)) is None
    assert nearest_failing(limit, np.empty((0, 2))) is None


def test_where_the_median_fails_it_is_the_nearest() -> None:
    """Failure then needs nothing to vary."""
    limit = CountedLimit(linear(-1.0, 2).limit, 2)
    z = nearest_failing(limit, starts_for(2))
    assert z is not None
    np.testing.assert_array_equal(z, [0.0, 0.0])


def test_draws_drawn_back_just_fail() -> None:
    """Each ends on its own ray, within a four-thousandth of its length beyond the limit."""
    limit = CountedLimit(linear(3.0, 2).limit, 2)
    starts = starts_for(2)
    failing = starts[limit(starts) < 0]
    back = drawn_back(limit, failing)
    margins = limit(back)
    assert np.all(margins < 0)
    assert np.all(margins > -np.linalg.norm(failing, axis=1) / 4000)
    directions = [each / np.linalg.norm(each, axis=1, keepdims=True) for each in (back, failing)]
    np.testing.assert_allclose(directions[0], directions[1], atol=1e-12)
