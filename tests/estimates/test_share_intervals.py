"""Intervals of shares: clusters, coverage, and the scatter of finite counts taken out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pad_study import NONE, pad_case
from scipy import stats

from margin.backends.run import run
from margin.estimates.intervals import (
    clopper_pearson,
    clustered_share,
    effective_trials,
    section_half_width,
)
from margin.estimates.yields import yields_of
from margin.propagation.model import model_of
from margin.propagation.plan import plan_of


@given(trials=st.integers(20, 5000), share=st.floats(0.02, 0.98))
@settings(max_examples=50, deadline=None)
def test_clusters_of_one_are_clopper_pearson(trials: int, share: float) -> None:
    """With clusters of one unit the interval of Korn and Graubard, 1998, is that of Clopper and Pearson, but
    for the one degree of freedom that the variance between clusters costs."""
    successes = min(max(round(share * trials), 1), trials - 1)
    counts, weights = np.array([0.0, 1.0]), np.array([trials - successes, successes], dtype=float)
    assert effective_trials(counts, np.ones(2), weights, 0.95) == pytest.approx(trials - 1, rel=1e-9)
    found = clustered_share(counts, np.ones(2), weights, 0.95)
    low, high = clopper_pearson(successes, trials)
    assert found.value == pytest.approx(successes / trials)
    assert found.low == pytest.approx(low, abs=0.6 / trials)
    assert found.high == pytest.approx(high, abs=0.6 / trials)


@given(
    counts=st.lists(st.integers(0, 50), min_size=3, max_size=40).filter(lambda c: 0 < sum(c) < 50 * len(c))
)
@settings(max_examples=50, deadline=None)
def test_clusters_never_help(counts: list[int]) -> None:
    """Clusters never count for more than the units in them, and the interval holds the share."""
    sizes = np.full(len(counts), 50.0)
    trials = effective_trials(np.array(counts, dtype=float), sizes, np.ones(len(counts)), 0.95)
    assert 0.0 < trials <= 50 * len(counts)
    found = clustered_share(np.array(counts, dtype=float), sizes, np.ones(len(counts)), 0.95)
    assert 0.0 <= found.low <= found.value <= found.high <= 1.0


def test_lots_that_pass_or_fail_whole_count_as_lots() -> None:
    """Where a lot passes or fails as a whole, 40 lots are 39 effective trials, however many units they
    hold."""
    counts = np.array([0.0, 500.0])
    trials = effective_trials(counts, np.full(2, 500.0), np.array([10.0, 30.0]), 0.95)
    ratio = stats.t.ppf(0.975, 20_000 - 1) / stats.t.ppf(0.975, 39)
    assert trials == pytest.approx(39 * ratio**2, rel=1e-9)


def test_all_within_is_not_certain() -> None:
    """A share of 1 has a lower bound below 1: that of all units (Clopper and Pearson)."""
    found = clustered_share(np.array([50.0]), np.array([50.0]), np.array([20.0]), 0.95)
    assert (found.value, found.high) == (1.0, 1.0)
    assert found.low == pytest.approx(0.025 ** (1 / 1000), rel=1e-9)


@pytest.mark.parametrize("share", [0.5, 0.9, 0.99])
def test_coverage_of_independent_units(share: float) -> None:
    """Summed over all outcomes of 150 units, the interval holds the true share in 95 % of studies or more
    (Clopper and Pearson, 1934)."""
    k = np.arange(151)
    covered = [low <= share <= high for low, high in (clopper_pearson(int(i), 150) for i in k)]
    assert np.sum(stats.binom.pmf(k, 150, share) * covered) >= 0.95


@pytest.mark.parametrize(("mean", "within_lot"), [(0.9, 0.02), (0.9, 0.1), (0.7, 0.3)])
def test_coverage_of_units_in_lots(mean: float, within_lot: float) -> None:
    """Over 400 studies of 40 lots of 25 units whose lots differ (beta-binomial), the interval holds the true
    share in 92 to 99 %; that which takes the units for independent does not."""
    draws = np.random.default_rng(11)
    strength = 1 / within_lot - 1
    lots = draws.beta(mean * strength, (1 - mean) * strength, (400, 40))
    counts = draws.binomial(25, lots).astype(float)
    sizes, ones = np.full(40, 25.0), np.ones(40)
    found = [clustered_share(row, sizes, ones, 0.95) for row in counts]
    covered = np.mean([e.low <= mean <= e.high for e in found])
    assert 0.92 <= covered <= 0.995
    naive = [clopper_pearson(row.sum(), 1000) for row in counts]
    missed = np.mean([not low <= mean <= high for low, high in naive])
    if within_lot >= 0.1:
        assert missed > 0.25


@pytest.mark.parametrize("by_lot", [False, True])
def test_coverage_of_a_whole_study(by_lot: bool) -> None:
    """Over 200 seeds of a small study with a closed-form yield, P(|z| < 0.06 / s) of a normal gain, the
    printed interval holds it in 92 to 99.5 %."""
    gain = "4 uS +/- 6 % (2 sigma) per unit"
    if by_lot:
        gain += ", +/- 4 % (2 sigma) per lot"
    sd = np.hypot(0.03, 0.02 if by_lot else 0.0)
    exact = 2 * stats.norm.cdf(0.06 / sd) - 1
    case = pad_case(
        NONE,
        load={"check": ["30 N", "60 N"]},
        sensor={"sensitivity": gain},
        study={"units": 600, "units_per_lot": 20},
    )
    model, plan, covered = model_of(case), plan_of(case), 0
    for seed in range(200):
        result = run(case, model=replace(model, seed=seed), plan=plan, workers=1, block=600)
        sampled = yields_of(result.plan.frame, result.tallies["none"], 0.95)[
            "units at every check point"
        ].sampled
        covered += sampled.low <= exact <= sampled.high
    assert 184 <= covered <= 199


def test_interval_from_sections() -> None:
    """The half width is Student's t times s / sqrt(m), and covers the mean of a normal in 95 %."""
    draws = np.random.default_rng(3).normal(1.0, 2.0, (10, 4000))
    half = section_half_width(draws, 0.95)
    expected = stats.t.ppf(0.975, 9) * draws.std(axis=0, ddof=1) / np.sqrt(10)
    assert half == pytest.approx(expected)
    assert np.mean(np.abs(draws.mean(axis=0) - 1.0) < half) == pytest.approx(0.95, abs=0.012)
    with pytest.raises(ValueError, match="at least two"):
        section_half_width(draws[:1], 0.95)
