"""The cross-check of importance sampling: it finds regions that were left out, and is silent where none was."""

from __future__ import annotations

import numpy as np
import pytest
from limit_states import KnownLimit, Limit
from rare_limits import exponential_sum, linear
from scipy.special import ndtr

from margin.estimates.rare import cross_check, failure_probability
from margin.estimates.rare.design_point import DesignPoint, apart, search
from margin.estimates.rare.draws import Draws
from margin.estimates.rare.importance import ImportanceRun, run_importance
from margin.estimates.rare.limit import CountedLimit
from margin.estimates.rare.mixture import around

WELL = [linear(4.0, 2), linear(5.0, 20), exponential_sum(2, 16.6884207909)]
BRANCHES = Limit(8, lambda z: np.minimum(4.0 - z[0], 3.9 + z[1]))


def first_axis(limit: CountedLimit) -> DesignPoint:
    """The design point reached along the first factor."""
    point = search(limit, np.eye(limit.dimension)[0], 4.0)
    assert point is not None
    return point


def about(limit: CountedLimit, point: DesignPoint) -> ImportanceRun:
    """Importance sampling about one point."""
    mixture = around(limit, [point], seed=1)
    return run_importance(limit, [point], mixture, target_cv=0.1, level=0.95, budget=20_000, seed=1)


def test_a_region_that_was_left_out_is_found() -> None:
    """Two branches at 4.0 and 3.9 standard deviations, of which the estimate was given the first: the design point of
    the other lies 3.9 along the second factor, and most of the failing draws are uncovered (Phi(-3.9) is 60 % of the
    sum of both)."""
    limit = CountedLimit(BRANCHES, 8)
    point = first_axis(limit)
    sweep = cross_check(limit, around(limit, [point], 1), about(limit, point), Draws(1, "test"))
    assert len(sweep.missed) == 1
    np.testing.assert_allclose(sweep.missed[0].z, -3.9 * np.eye(8)[1], atol=0.02)
    assert sweep.uncovered == pytest.approx(float(ndtr(-3.9) / (ndtr(-3.9) + ndtr(-4.0))), abs=0.25)


@pytest.mark.parametrize("known", WELL, ids=lambda known: known.name)
def test_it_is_silent_where_nothing_was_missed(known: KnownLimit) -> None:
    """Over twenty seeds no false alarm: one sweep, no point added, no warning."""
    for seed in range(20):
        found = failure_probability(known.limit, known.limit.dimension, seed=seed)
        assert found.method == "importance"
        assert found.warnings == ()
        assert found.cross_check is not None
        assert found.cross_check.complete
        assert (found.cross_check.sweeps, found.cross_check.added) == (1, 0)


def test_a_region_wider_than_its_point_is_seen() -> None:
    """Failure all around the origin, of which the density draws about one point: most failing draws lie elsewhere."""
    limit = CountedLimit(Limit(6, lambda z: 5.0 - np.sqrt((z**2).sum(axis=0))), 6)
    point = first_axis(limit)
    found = about(CountedLimit(linear(5.0, 6).limit, 6), point)
    sweep = cross_check(limit, around(limit, [point], 2), found, Draws(2, "test"))
    assert sweep.uncovered > 0.5
    assert sweep.missed


def test_where_no_failing_draw_is_reached_it_is_blind() -> None:
    """A margin that only says passed or failed offers no levels to climb."""
    limit = CountedLimit(Limit(2, lambda z: np.where(z[0] > 6.0, -1.0, 1.0)), 2)
    plane = CountedLimit(linear(4.0, 2).limit, 2)
    point = first_axis(plane)
    sweep = cross_check(limit, around(plane, [point], 3), about(plane, point), Draws(3, "test"))
    assert sweep.blind
    assert sweep.missed == ()


def test_directions_chosen_before_are_kept_apart_from() -> None:
    """A draw within the cosine of an earlier one is passed over."""
    axes = np.eye(3)
    assert len(apart(axes, 0.5, 3, [np.array([2.0, 0.1, 0.0])])) == 3
    assert len(apart(axes, 0.5, 2, [np.array([2.0, 0.1, 0.0])])) == 2
