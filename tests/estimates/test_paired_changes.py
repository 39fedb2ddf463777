"""Statistics of changes on common random numbers, against general-purpose libraries and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats

from margin.estimates.paired_changes import (
    NO_GAINS,
    Gains,
    change_of_quantile,
    holm,
    leading,
    p_of_mean,
    p_of_yield,
    pooled_quantile,
    ranks,
    yield_ends,
)


@pytest.mark.parametrize(("units", "per_cluster"), [(20, 1), (160, 8), (2000, 1), (2000, 16)])
def test_quantile_is_that_of_all_readings(units: int, per_cluster: int) -> None:
    """The pooled quantile is numpy's of all readings of all units, over several conditions."""
    rng = np.random.default_rng(units)
    readings = [np.abs(rng.standard_normal((k, units))) for k in (3, 2)]
    values = np.concatenate([each.ravel() for each in readings])
    found = pooled_quantile(readings, units // per_cluster)
    assert found.value == pytest.approx(np.quantile(values, 0.95), rel=1e-12)
    assert leading(values.copy()) == pytest.approx(np.quantile(values, 0.95), rel=1e-12)
    assert found.influence.mean() == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("intraclass", [0.0, 0.5, 1.0])
def test_influence_gives_the_scatter_of_the_quantile(intraclass: float) -> None:
    """The standard error by influences is the standard deviation of the quantile over 400 samples, for independent
    units and for clusters that share half or all of their variance."""
    rng = np.random.default_rng(7)
    clusters, per = 250, 8
    found = []
    for _ in range(400):
        common = np.repeat(rng.standard_normal(clusters), per)
        error = np.sqrt(intraclass) * common + np.sqrt(1.0 - intraclass) * rng.standard_normal(common.size)
        quantile = pooled_quantile([np.abs(error)[np.newaxis]], clusters)
        found.append((quantile.value, np.sqrt(quantile.influence @ quantile.influence) / clusters))
    values, errors = np.array(found).T
    assert np.sqrt(np.mean(errors**2)) == pytest.approx(values.std(), rel=0.1)


def test_degrees_of_freedom_follow_the_kurtosis() -> None:
    """Normal clusters give nearly n - 1 degrees of freedom; where one cluster in a hundred rules, the variance of the
    variance is that of a chi-squared variable with few (kurtosis of the Bernoulli distribution, closed form)."""
    rng = np.random.default_rng(3)
    readings = [np.abs(rng.standard_normal((1, 2000)))]
    before = pooled_quantile(readings, 2000)
    even = np.where(np.arange(2000) % 2 == 0, 1.0, -1.0)
    rare = np.where(np.arange(2000) % 100 == 0, 1.0, 0.0)
    for influence, kurtosis in ((even, 1.0), (rare - 0.01, (1.0 - 3.0 * 0.01 * 0.99) / (0.01 * 0.99))):
        after = type(before)(1.0, before.influence + influence, before.step)
        _, freedom = change_of_quantile(before, after)
        expected = 2.0 / (2.0 / 1999.0 + max(kurtosis - 3.0, 0.0) / 2000.0)
        assert freedom == pytest.approx(expected, rel=1e-6)


def test_no_false_alarms() -> None:
    """Of 10 causes each replaced by an independent copy of itself, none is resolved in at least 95 % of 200 studies,
    from causes too small to move one reading past the quantile to large ones."""
    for size in (0.02, 0.5):
        rng = np.random.default_rng(11)
        alarms = 0
        for _ in range(200):
            parts = size * rng.standard_normal((10, 160))
            error = rng.standard_normal(160) + parts.sum(axis=0)
            before = pooled_quantile([np.abs(error)[np.newaxis]], 160)
            p = []
            for part in parts:
                changed = error - part + size * rng.standard_normal(160)
                after = pooled_quantile([np.abs(changed)[np.newaxis]], 160)
                sd, freedom = change_of_quantile(before, after)
                p.append(p_of_mean(*(np.array(x) for x in (after.value - before.value, sd, freedom))))
                gains = Gains.of((np.abs(changed) <= 2.0) * 1.0 - (np.abs(error) <= 2.0), 160, 160.0)
                p.append(p_of_yield(*(np.array(x) for x in (gains.gain, gains.loss, gains.trials))))
            alarms += holm(np.array(p)).min() < 0.05
        assert alarms <= 10, (size, alarms)


@given(arrays(float, st.integers(1, 12), elements=st.floats(0.0, 1.0)))
def test_holm_steps_down(p: np.ndarray) -> None:
    """Rejections at 5 % are those of the procedure as Holm (1979) states it: in ascending order, until the first
    p-value above 0.05 over the number of hypotheses left."""
    rejected = np.zeros(p.size, dtype=bool)
    for done, place in enumerate(np.argsort(p, kind="stable")):
        if p[place] * (p.size - done) > 0.05:
            break
        rejected[place] = True
    assert np.array_equal(holm(p) <= 0.05, rejected)


def test_holm_worked_by_hand() -> None:
    """0.01, 0.04, 0.03, 0.005 become 0.03, 0.06, 0.06, 0.02: times 4, 3, 2, 1 in ascending order, never falling."""
    assert holm(np.array([0.01, 0.04, 0.03, 0.005])) == pytest.approx([0.03, 0.06, 0.06, 0.02])


@pytest.mark.parametrize(("more", "less"), [(1, 0), (6, 0), (9, 2), (2, 9), (5, 5)])
def test_yield_is_tested_as_mcnemar_does(more: int, less: int) -> None:
    """The p-value of units that changed is that of scipy's exact binomial test of one half, at most 1."""
    found = p_of_yield(*(np.array(x) for x in (more / 300.0, less / 300.0, 300.0)))
    assert found == pytest.approx(stats.binomtest(more, more + less).pvalue, rel=1e-9)


def test_ends_of_a_yield_change() -> None:
    """Without a change the ends are scipy's Clopper-Pearson end of 0 of the clusters; with gains only the upper one is
    Jeffreys' end, the beta quantile, widened by what losses may be; certainty has no width."""
    low, high = yield_ends(np.zeros(2), np.zeros(2), np.array([40.0, NO_GAINS.trials]), 0.95)
    end = stats.binomtest(0, 40).proportion_ci(0.95, "exact").high
    assert high == pytest.approx([end, 0.0]) and low == pytest.approx([-end, 0.0])
    low, high = yield_ends(np.array([0.1]), np.array([0.0]), np.array([200.0]), 0.95)
    jeffreys = stats.beta(20.5, 180.5)
    loss = stats.beta(0.5, 200.5).ppf(0.975)
    assert high[0] == pytest.approx(jeffreys.ppf(0.975))
    assert low[0] == pytest.approx(0.1 - np.hypot(0.1 - jeffreys.ppf(0.025), loss))


def test_effective_trials_are_units_where_units_are_independent() -> None:
    """Units that change independently count as themselves, eight of a cluster that change together as one."""
    rng = np.random.default_rng(5)
    change = rng.choice([1.0, 0.0, -1.0], size=4000, p=[0.1, 0.85, 0.05])
    assert Gains.of(change, 500, 4000.0).trials == pytest.approx(4000.0, rel=0.15)
    assert Gains.of(np.repeat(change[:500], 8), 500, 4000.0).trials == pytest.approx(500.0, rel=0.15)
    assert Gains.of(np.zeros(40), 5, 40.0) == Gains(0.0, 0.0, 5.0)


def test_ranks_tie_where_paired_differences_do_not_decide() -> None:
    """Causes that differ by less than their paired error share a rank though each is known well, and causes with
    wide intervals are told apart where their difference is known; rounding is no difference."""
    rng = np.random.default_rng(2)
    common, own = 10.0 * rng.standard_normal(400), rng.standard_normal((3, 400))
    steps = np.zeros(3)
    # errors of the mean: 0.5 of each alone, 0.07 of a difference
    assert ranks(np.array([-3.0, -2.0, 0.0]), common + own, steps, 0.0, 0.95).tolist() == [1, 2, 3]
    assert ranks(np.array([-3.0, -2.95, 0.0]), common + own, steps, 0.0, 0.95).tolist() == [1, 1, 3]
    assert ranks(np.array([-1.0, -1.0 + 1e-9, np.nan]), np.zeros((3, 400)), steps, 1e-8, 0.95).tolist() == [
        1,
        1,
        1,
    ]
