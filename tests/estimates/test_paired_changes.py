"""Statistics of changes on common random numbers, against general-purpose libraries and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from clustered_budget import counted_quantiles
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.typing import NDArray
from scipy import stats

from margin.estimates.paired_changes import (
    NO_GAINS,
    Beyond,
    Gains,
    Quantiles,
    holm,
    p_of_mean,
    p_of_yield,
    quantile_of_sizes,
    yield_ends,
)
from margin.propagation.histogram import Bins


@pytest.mark.parametrize(("units", "per_cluster"), [(20, 1), (160, 8), (2000, 1), (2000, 16)])
def test_quantile_is_that_of_all_readings(units: int, per_cluster: int) -> None:
    """The pooled quantile is numpy's of all readings to half a bin, and scales with them to the last bits."""
    rng = np.random.default_rng(units)
    sizes = np.abs(rng.standard_normal(units))
    found = counted_quantiles([sizes, 0.5 * sizes], units // per_cluster)
    assert found.values[0] == pytest.approx(np.quantile(sizes, 0.95), rel=1.0 / 128.0)
    assert found.values[1] == pytest.approx(0.5 * found.values[0], rel=1e-12)
    assert found.values[0] == quantile_of_sizes(*_counted(sizes))


def _counted(sizes: NDArray[np.float64]) -> tuple[NDArray[np.int64], Bins]:
    bins = Bins(10.0 * float(sizes.max()))
    return np.bincount(bins.index(sizes) - bins.half, minlength=bins.half + 1), bins


@pytest.mark.parametrize("intraclass", [0.0, 0.5, 1.0])
def test_readings_beyond_give_the_scatter_of_the_quantile(intraclass: float) -> None:
    """The standard error by the readings beyond is the standard deviation of the quantile over 400 samples, for
    independent units and for clusters that share half or all of their variance."""
    rng = np.random.default_rng(7)
    clusters, per = 250, 8
    found = []
    for _ in range(400):
        common = np.repeat(rng.standard_normal(clusters), per)
        error = np.sqrt(intraclass) * common + np.sqrt(1.0 - intraclass) * rng.standard_normal(common.size)
        quantiles = counted_quantiles([np.abs(error)], clusters)
        found.append((quantiles.values[0], quantiles.slopes[0] * np.sqrt(quantiles.beyond.covariance[0, 0])))
    values, errors = np.array(found).T
    assert np.sqrt(np.mean(errors**2)) == pytest.approx(values.std(), rel=0.1)


def test_sums_of_blocks_are_those_of_all() -> None:
    """Clusters added in parts, in any order, give the sums of all at once to the bit."""
    counts = np.random.default_rng(3).integers(0, 9, (4, 600)).astype(float)
    whole = Beyond.of(counts, 8)
    parts = Beyond.of(counts[:, 250:], 8) + Beyond.of(counts[:, :250], 8)
    for one, two in zip(vars(whole).values(), vars(parts).values(), strict=True):
        assert np.array_equal(one, two)


def test_moments_are_those_of_the_differences() -> None:
    """Variance, and degrees of freedom by the kurtosis, of the mean of a x - b y over clusters, against numpy's moments
    of the differences themselves."""
    rng = np.random.default_rng(5)
    counts = rng.poisson([[3.0], [2.0], [0.05]], (3, 400)).astype(float)
    counts[1] += counts[0]
    weight = np.array([0.7, 1.3, 2.0])
    variance, freedom = Beyond.of(counts, 10).change(weight, 0.7)
    for row in (1, 2):
        change = (weight[row] * counts[row] - 0.7 * counts[0]) / 10.0
        assert variance[row] == pytest.approx(change.var(ddof=1) / 400.0, rel=1e-9)
        kurtosis = stats.kurtosis(change, fisher=False)
        expected = 2.0 / (2.0 / 399.0 + max(kurtosis - 3.0, 0.0) / 400.0)
        assert freedom[row] == pytest.approx(expected, rel=1e-9)
    assert variance[0] == 0.0


def test_no_false_alarms() -> None:
    """Of 10 causes each replaced by an independent copy of itself, none is resolved in at least 95 % of 200 studies,
    from causes too small to move one reading past the quantile to large ones."""
    for size in (0.02, 0.5):
        rng = np.random.default_rng(11)
        alarms = 0
        for _ in range(200):
            parts = size * rng.standard_normal((10, 160))
            error = rng.standard_normal(160) + parts.sum(axis=0)
            cases = [error, *(error - part + size * rng.standard_normal(160) for part in parts)]
            found = counted_quantiles([np.abs(each) for each in cases], 160)
            p = p_of_mean(found.values - found.values[0], *found.changes())[1:].tolist()
            for changed in cases[1:]:
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
    """Cases that differ by less than their paired error share a rank though each alone is known badly, and are told
    apart where their difference is known; rounding is no difference; NaN is behind none."""
    rng = np.random.default_rng(2)
    common = rng.integers(0, 40, 400)
    counts = np.stack([common + rng.integers(0, 2, 400) for _ in range(3)]).astype(float)
    beyond, ones = Beyond.of(counts, 50), np.ones(3)
    # standard error of a mean alone about 0.012, of a difference about 0.0007
    for values, expected in (
        ([-0.01, -0.004, 0.0], [1, 2, 3]),
        ([-0.01, -0.0099, 0.0], [1, 1, 3]),
        ([-0.01, -0.01 + 1e-9, np.nan], [1, 1, 1]),
    ):
        found = Quantiles(np.array(values), ones, np.zeros(3), beyond).ranks(np.arange(3), 1.0, 1e-8, 0.95)
        assert found.tolist() == expected
