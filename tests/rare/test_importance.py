"""Importance sampling about given points: exactness of its density, and its warning of missed regions."""

from __future__ import annotations

import numpy as np
import pytest
from limit_states import Limit
from rare_limits import exponential_sum, linear
from scipy.special import ndtr

from margin.estimates.rare import RareEventError, importance_sampling
from margin.estimates.rare.design_point import DesignPoint, search
from margin.estimates.rare.draws import Draws
from margin.estimates.rare.limit import CountedLimit
from margin.estimates.rare.mixture import around

TWO_SIDED = Limit(2, lambda z: 4.0 - np.abs(z[0]))


def found_point(limit: Limit, start: list[float]) -> DesignPoint:
    """The design point reached from a start."""
    point = search(CountedLimit(limit, limit.dimension), np.array(start), 4.0)
    assert point is not None
    return point


def test_a_missed_region_is_warned_of() -> None:
    """With two equal design points and one of them given, the result names the distance of the other."""
    one = found_point(TWO_SIDED, [1.0, 0.0])
    found = importance_sampling(TWO_SIDED, [one], seed=1)
    assert any("missed" in text and "4.00 standard deviations" in text for text in found.warnings)


def test_no_warning_when_both_regions_are_given() -> None:
    """Both points: the whole probability, and nothing to warn of."""
    both = [found_point(TWO_SIDED, [1.0, 0.0]), found_point(TWO_SIDED, [-1.0, 0.0])]
    found = importance_sampling(TWO_SIDED, both, seed=1)
    assert found.warnings == ()
    assert found.low <= 2 * float(ndtr(-4.0)) <= found.high


@pytest.mark.parametrize("dimension", [6, 20])
def test_a_missed_region_is_warned_of_among_many_factors(dimension: int) -> None:
    """The wide draws still reach the other side."""
    limit = Limit(dimension, lambda z: 4.0 - np.abs(z[0]))
    one = found_point(limit, [1.0] + [0.0] * (dimension - 1))
    assert any("missed" in warning for warning in importance_sampling(limit, [one], seed=2).warnings)


def test_points_off_the_limit_are_warned_of() -> None:
    """A centre far inside the failing region leaves a few heavy draws, and that is said."""
    direction = np.array([1.0, 0.0])
    wrong = DesignPoint(7.0 * direction, 7.0, direction, 1.0, True)
    found = importance_sampling(linear(3.0, 2).limit, [wrong], seed=3, budget=1000)
    assert found.warnings


def test_the_budget_bounds_the_draws() -> None:
    """A target out of reach ends at the budget with a caution."""
    known = linear(4.0, 2)
    point = found_point(known.limit, [0.0, 0.0])
    found = importance_sampling(known.limit, [point], target_cv=0.001, budget=3000, seed=4)
    assert found.evaluations <= 3000
    assert any("coefficient of variation" in warning for warning in found.warnings)


def test_the_mixture_is_a_density() -> None:
    """The weights of its own draws average to one: the standard normal density integrates to one."""
    limit = CountedLimit(exponential_sum(3, 15.0).limit, 3)
    point = search(limit, np.zeros(3), 12.0)
    assert point is not None
    mixture = around(limit, [point], seed=5)
    weights, wide = mixture.weights(mixture.draw(400_000, Draws(5, "test")))
    assert weights.mean() == pytest.approx(1.0, abs=4 * weights.std() / np.sqrt(len(weights)))
    assert np.all((wide > 0) & (wide <= 1))
    assert wide.mean() == pytest.approx(0.1, abs=0.002)


def test_without_a_design_point_it_is_refused() -> None:
    """The message says what to do first."""
    with pytest.raises(RareEventError, match="search first"):
        importance_sampling(linear(4.0, 2).limit, [])
