"""How often the 95 % interval of a rare failure covers the exact probability: 92 % to 98 % of 200 runs.

More limit states and targets: tests/benchmarks/rare_coverage.py.
"""

from __future__ import annotations

import numpy as np
import pytest
from limit_states import KnownLimit
from rare_limits import exponential_sum, linear, radial, staircase

from margin.estimates.rare import RareResult, failure_probability, subset_sampling
from margin.estimates.rare.result import lognormal_interval
from margin.estimates.rare.subset import REPLICATES, SubsetRun, combined

RUNS = range(200)
EXACT = 1e-6


def share_covered(known: KnownLimit, found: list[RareResult]) -> float:
    """Share of intervals that hold the exact probability."""
    return float(np.mean([one.low <= known.probability <= one.high for one in found]))


@pytest.mark.parametrize(
    "known", [linear(5.0, 20), exponential_sum(2, 16.6884207909)], ids=lambda known: known.name
)
def test_importance_sampling_covers_as_often_as_it_says(known: KnownLimit) -> None:
    """At 2.9e-7 and 1e-6; all limit states: tests/benchmarks/rare_coverage.py."""
    found = [failure_probability(known.limit, known.limit.dimension, seed=seed) for seed in RUNS]
    assert all(one.method == "importance" for one in found)
    assert 0.92 <= share_covered(known, found) <= 0.98


def test_subset_sampling_covers_as_often_as_it_says() -> None:
    """Failure all around the origin, at the usual coefficient of variation of 10 %."""
    known = radial(2, 4.5)
    found = [subset_sampling(known.limit, target_cv=0.1, budget=100_000, seed=seed) for seed in RUNS]
    assert 0.92 <= share_covered(known, found) <= 0.98


@pytest.mark.parametrize("target_cv", [0.05, 0.25])
def test_importance_sampling_covers_at_other_targets(target_cv: float) -> None:
    """With more draws than the first stage, and with the first stage alone."""
    known = linear(4.0, 2)
    found = [failure_probability(known.limit, 2, target_cv=target_cv, seed=seed) for seed in RUNS]
    assert all(one.method == "importance" for one in found)
    assert 0.92 <= share_covered(known, found) <= 0.98


@pytest.mark.parametrize("target_cv", [0.05, 0.1, 0.25])
def test_plain_draws_cover_as_often_as_they_say(target_cv: float) -> None:
    """A failure in twenty, from 18 to 440 failing draws."""
    known = linear(1.645, 1)
    found = [failure_probability(known.limit, 1, target_cv=target_cv, seed=seed) for seed in RUNS]
    assert all(one.method == "crude" for one in found)
    assert 0.92 <= share_covered(known, found) <= 0.98


@pytest.mark.parametrize("known", [radial(2, 3.7), staircase(3.0)], ids=lambda known: known.name)
def test_subset_sampling_covers_at_a_coarse_target(known: KnownLimit) -> None:
    """At a coefficient of variation of 25 % a replicate is far from normal; on a round limit and on steps."""
    found = [subset_sampling(known.limit, target_cv=0.25, seed=seed) for seed in RUNS]
    assert 0.92 <= share_covered(known, found) <= 0.98


@pytest.mark.parametrize("fixed", [0.2, 0.6])
@pytest.mark.parametrize("spread", [0.15, 0.7, 1.2])
def test_lognormal_replicates_combine_to_an_interval_that_covers(spread: float, fixed: float) -> None:
    """Replicates whose logarithms are normal, too low by half the variance of their fixed levels."""
    logs = np.random.default_rng(1).normal(-0.5 * fixed * spread**2, spread, (4000, REPLICATES))
    covered = 0
    for row in EXACT * np.exp(logs):
        runs = [SubsetRun(value, spread, fixed, 6, False, np.empty((0, 2))) for value in row]
        low, high = lognormal_interval(*combined(runs), 0.95, REPLICATES - 1)
        covered += low <= EXACT <= high
    assert 0.94 <= covered / len(logs) <= 0.96
