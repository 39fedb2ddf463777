"""Which method is taken, how good its interval is, and what is refused."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from limit_states import Array, KnownLimit, Limit
from rare_limits import exponential_sum, linear, radial
from scipy.special import ndtr
from scipy.stats import gamma

from margin.estimates.rare import RareEventError, failure_probability

SEEDS = range(60)


@pytest.mark.parametrize("beta", [3.0, 4.0, 5.0])
@pytest.mark.parametrize("dimension", [1, 2, 20])
def test_a_linear_limit_gives_the_normal_tail(beta: float, dimension: int) -> None:
    """Phi(-beta) in any number of factors, within 2000 evaluations."""
    known = linear(beta, dimension)
    found = failure_probability(known.limit, dimension, seed=1)
    assert (
        abs(found.probability - known.probability) <= 3 * found.coefficient_of_variation * known.probability
    )
    assert found.coefficient_of_variation <= 0.1
    assert found.evaluations <= 2000
    assert found.method == "importance"
    assert found.design_points[0].beta == pytest.approx(beta, abs=0.01)


@pytest.mark.parametrize("probability", [1e-3, 1e-6])
@pytest.mark.parametrize("dimension", [2, 20, 100])
def test_a_sum_of_exponentials_gives_the_gamma_tail(dimension: int, probability: float) -> None:
    """The design point alone is wrong by up to nine decades at 100 factors; the estimate is not."""
    known = exponential_sum(dimension, float(gamma.isf(probability, dimension)))
    found = failure_probability(known.limit, dimension, seed=2)
    assert known.probability == pytest.approx(probability, rel=1e-9)
    assert abs(found.probability - probability) <= 3 * found.coefficient_of_variation * found.probability
    assert found.coefficient_of_variation <= 0.15
    assert found.evaluations <= (2000 if dimension == 2 else 200_000)


@pytest.mark.parametrize(("dimension", "radius"), [(2, 4.0), (10, 6.0), (100, 13.0)])
def test_failure_all_around_the_origin_gives_the_chi_square_tail(dimension: int, radius: float) -> None:
    """No single point is the most likely one; the estimate holds all the same."""
    known = radial(dimension, radius)
    found = failure_probability(known.limit, dimension, seed=3)
    assert (
        abs(found.probability - known.probability) <= 3 * found.coefficient_of_variation * found.probability
    )
    assert found.coefficient_of_variation <= 0.15
    assert found.evaluations <= 200_000
    if dimension > 2:
        assert found.method == "subset"
        assert "given up" in found.why


@pytest.mark.parametrize(
    "known",
    [linear(4.0, 2), exponential_sum(2, 16.6884207909), exponential_sum(20, 36.7009787595)],
    ids=lambda known: known.name,
)
def test_the_stated_interval_covers_the_exact_value(known: KnownLimit) -> None:
    """Over repeated seeds the 95 % interval holds the truth in at least 90 %, and the mean is unbiased."""
    found = [failure_probability(known.limit, known.limit.dimension, seed=seed) for seed in SEEDS]
    covered = np.mean([one.low <= known.probability <= one.high for one in found])
    ratios = np.array([one.probability for one in found]) / known.probability
    assert covered >= 0.9
    assert abs(ratios.mean() - 1) <= 3 * ratios.std(ddof=1) / np.sqrt(len(ratios))


def test_frequent_failure_takes_plain_draws_and_an_exact_interval() -> None:
    """A failure in twenty needs no method."""
    found = failure_probability(linear(1.645, 3).limit, 3, seed=4)
    assert found.method == "crude"
    assert found.low <= float(ndtr(-1.645)) <= found.high
    assert "frequent" in found.why


def test_a_staircase_margin_is_estimated_in_spite_of_its_steps() -> None:
    """A limit quantised like a converter's output fails exactly where the quantised value does."""
    step = 0.5
    limit = Limit(2, lambda z: 4.0 - np.floor(z.sum(axis=0) / np.sqrt(2) / step) * step - step / 2)
    found = failure_probability(limit, 2, seed=5)
    assert found.low <= float(ndtr(-4.0)) <= found.high


def test_the_answer_is_the_same_for_the_same_seed_and_another_for_another() -> None:
    """Nothing depends on anything but the seed."""
    limit = linear(4.0, 3).limit
    first, again = (failure_probability(limit, 3, seed=6) for _ in range(2))
    other = failure_probability(limit, 3, seed=7)
    assert (first.probability, first.low, first.high, first.evaluations) == (
        again.probability,
        again.low,
        again.high,
        again.evaluations,
    )
    assert first.probability != other.probability


@settings(max_examples=15, deadline=None)
@given(st.floats(2.5, 5.5), st.floats(0.0, 2 * np.pi), st.floats(1e-6, 1e6))
def test_turning_the_factors_and_scaling_the_margin_change_nothing(
    beta: float, angle: float, scale: float
) -> None:
    """The normal tail holds for any direction of failure and any unit of the margin."""
    limit = Limit(2, lambda z: scale * (beta - np.cos(angle) * z[0] - np.sin(angle) * z[1]))
    found = failure_probability(limit, 2, seed=8)
    exact = float(ndtr(-beta))
    assert abs(found.probability - exact) <= 4 * found.coefficient_of_variation * exact


@dataclass(frozen=True)
class Counting:
    """Counts the points it is asked for."""

    counted: list[int]
    names: tuple[str, ...] = ("first", "second")

    def __call__(self, z: Array) -> Array:
        self.counted.append(len(z))
        return 4.0 - z[:, 0]


def test_every_evaluation_is_counted() -> None:
    """The result's counts are what the limit state saw: pilot and search included, the cross-check apart."""
    limit = Counting([])
    found = failure_probability(limit, 2, seed=9)
    assert found.cross_check is not None
    assert found.evaluations + found.cross_check.evaluations == sum(limit.counted)


def test_a_margin_that_never_turns_negative_is_said_not_to_have_failed() -> None:
    """Without a failure the estimate is 0 with a caution and an interval open to 1, never a sharp zero."""
    found = failure_probability(Limit(2, lambda z: np.full(z.shape[1], 1.0)), 2, seed=10)
    assert found.probability == 0
    assert found.high == 1
    assert found.warnings


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"target_cv": 0.0}, "target_cv"),
        ({"level": 1.0}, "level"),
        ({"budget": 10}, "budget"),
        ({"dimension": 3}, "names 2 factors"),
    ],
)
def test_a_setting_out_of_range_is_refused_with_its_value(arguments: dict[str, float], message: str) -> None:
    """The message names the setting."""
    with pytest.raises(RareEventError, match=message):
        failure_probability(linear(4.0, 2).limit, **{"dimension": 2, **arguments})  # type: ignore[arg-type]


def test_a_margin_that_is_not_finite_is_refused_with_the_factors() -> None:
    """The first bad point is named, factor by factor."""
    limit = Limit(2, lambda z: np.where(z[0] > 0, np.nan, 1.0))
    with pytest.raises(RareEventError, match="factor 1 ="):
        failure_probability(limit, 2)


def test_a_margin_of_the_wrong_shape_is_refused() -> None:
    """One margin a point."""
    with pytest.raises(RareEventError, match="shape"):
        failure_probability(Limit(2, lambda z: z), 2)
