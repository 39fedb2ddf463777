"""Importance sampling in rounds: missed regions are added until none is missed or the budget ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from limit_states import Array, KnownLimit, Limit
from rare_limits import four_islands, linear, near_islands
from scipy.special import ndtr

from margin.estimates.rare import RareResult, failure_probability, importance_rounds, importance_sampling
from margin.estimates.rare.design_point import DesignPoint, search
from margin.estimates.rare.limit import BudgetEnded, CountedLimit
from margin.estimates.rare.rounds import Rounds

ISLANDS = (four_islands(2), near_islands(), four_islands(6))


def first_point(limit: Limit) -> DesignPoint:
    """The design point reached along the first factor."""
    point = search(CountedLimit(limit, limit.dimension), 3.0 * np.eye(limit.dimension)[0], 4.0)
    assert point is not None
    return point


def rounds_from_one(limit: Limit, seed: int, budget: int = 200_000, level: float = 0.95) -> Rounds:
    """Rounds that begin with the design point along the first factor alone."""
    counted = CountedLimit(limit, limit.dimension)
    found = importance_rounds(counted, [first_point(limit)], seed=seed, budget=budget, level=level)
    assert counted.evaluations <= budget
    return found


def result_of(rounds: Rounds) -> RareResult:
    """The result, which stands."""
    assert rounds.given_up == ""
    assert rounds.result is not None
    return rounds.result


@pytest.mark.parametrize("known", ISLANDS, ids=lambda known: known.name)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_four_islands_are_found_from_the_design_point_of_one(known: KnownLimit, seed: int) -> None:
    """All four, the exact value (noncentral chi-square) within the interval of 99.9 %, and nothing to warn of."""
    found = result_of(rounds_from_one(known.limit, seed, level=0.999))
    assert len(found.design_points) == 4
    assert found.cross_check is not None
    assert found.cross_check.added == 3
    assert found.cross_check.complete
    assert found.warnings == ()
    assert found.low <= known.probability <= found.high


def test_a_round_with_the_missed_region_raises_the_estimate_to_the_exact_value() -> None:
    """Two independent branches at 4.0 and 3.9 standard deviations, the first alone given: without the other 40 % are
    found, with it 1 - (1 - Phi(-4))(1 - Phi(-3.9)), exact."""
    limit = Limit(8, lambda z: np.minimum(4.0 - z[0], 3.9 + z[1]))
    exact = float(1 - ndtr(4.0) * ndtr(3.9))
    ratios = np.array([result_of(rounds_from_one(limit, seed)).probability for seed in range(20)]) / exact
    assert abs(ratios.mean() - 1) <= 3 * ratios.std(ddof=1) / np.sqrt(len(ratios))
    alone = importance_sampling(limit, [first_point(limit)], seed=0, budget=400)
    assert alone.probability < 0.6 * exact
    assert abs(ratios[0] - 1) <= 0.3


def test_islands_are_covered_as_often_as_stated() -> None:
    """Over 60 seeds the 95 % interval holds the exact value in at least 88 % (the binomial quantile at 1.6 %), and the
    mean is unbiased; 200 seeds: tests/benchmarks/rare_coverage.py."""
    known = four_islands(6)
    found = [failure_probability(known.limit, 6, seed=seed) for seed in range(60)]
    ratios = np.array([one.probability for one in found]) / known.probability
    assert np.mean([one.low <= known.probability <= one.high for one in found]) >= 0.88
    assert abs(ratios.mean() - 1) <= 3 * ratios.std(ddof=1) / np.sqrt(len(ratios))
    assert all(len(one.design_points) == 4 for one in found)


def test_the_same_seed_gives_the_same_bits() -> None:
    """Rounds, sweeps and estimate; another seed gives another estimate."""
    limit = four_islands(2).limit
    first, again, other = (result_of(rounds_from_one(limit, seed)) for seed in (5, 5, 6))
    assert (first.probability, first.low, first.high, first.evaluations, first.cross_check) == (
        again.probability, again.low, again.high, again.evaluations, again.cross_check,
    )  # fmt: skip
    assert np.array_equal([p.z for p in first.design_points], [p.z for p in again.design_points])
    assert other.probability != first.probability


@pytest.mark.parametrize("dimension", [2, 6])
@pytest.mark.parametrize("budget", [1_000, 3_000, 6_000, 9_000, 12_000])
def test_the_budget_holds_and_is_said_to_have_ended_the_rounds(dimension: int, budget: int) -> None:
    """Never one evaluation more; where the cross-check is not complete, a warning names the budget."""
    for seed in range(3):
        rounds = rounds_from_one(four_islands(dimension).limit, seed, budget)
        assert rounds.result is not None
        assert rounds.result.cross_check is not None
        told = any(f"budget of {budget} evaluations" in warning for warning in rounds.result.warnings)
        assert told != (rounds.result.cross_check.complete or bool(rounds.given_up))


def test_a_budget_too_small_for_a_round_gives_no_result() -> None:
    """The reason is the budget."""
    rounds = rounds_from_one(four_islands(2).limit, 1, 300)
    assert rounds.result is None
    assert "budget of 300" in rounds.given_up


@dataclass(frozen=True)
class Counting:
    """Counts the points it is asked for."""

    limit: Limit
    counted: list[int]

    @property
    def names(self) -> tuple[str, ...]:
        return self.limit.names

    def __call__(self, z: Array) -> Array:
        self.counted.append(len(z))
        return self.limit(z)


@pytest.mark.parametrize("budget", [5_000, 12_000, 200_000])
def test_every_evaluation_is_counted_once(budget: int) -> None:
    """Those of the estimate and those of the cross-check add up to what the limit saw, within the budget."""
    limit = Counting(four_islands(2).limit, [])
    found = failure_probability(limit, 2, seed=4, budget=budget)
    assert found.cross_check is not None
    assert found.evaluations + found.cross_check.evaluations == sum(limit.counted) <= budget


@pytest.mark.parametrize("budget", [1_000, 2_000, 4_000])
def test_a_small_budget_never_gives_an_estimate_without_a_warning(budget: int) -> None:
    """Too little for a cross-check: whatever the method, the result names the budget."""
    for seed in range(5):
        found = failure_probability(four_islands(2).limit, 2, seed=seed, budget=budget)
        assert any(f"budget of {budget} evaluations" in warning for warning in found.warnings)


def test_failure_all_around_the_origin_is_given_up() -> None:
    """No few points describe it: the reason says so, or that regions were still being found."""
    limit = Limit(10, lambda z: 6.0 - np.sqrt((z**2).sum(axis=0)))
    assert rounds_from_one(limit, 1).given_up


def test_evaluations_beyond_those_allowed_are_not_made() -> None:
    """The limit raises before it evaluates, and allows them again afterwards."""
    limit = CountedLimit(linear(4.0, 2).limit, 2)
    limit(np.zeros((3, 2)))
    with limit.at_most(5):
        limit(np.zeros((2, 2)))
        with pytest.raises(BudgetEnded):
            limit(np.zeros((1, 2)))
    assert limit.evaluations == 5
    assert limit(np.zeros((4, 2))).shape == (4,)
