"""The scale on which features of unchanged prototypes are normal, and how predictions are tried."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from margin.diagnosis.drawn_groups import Drawn, Path, groups_of
from margin.diagnosis.likelihood import fit, fit_of, project
from margin.diagnosis.scores import scores_of
from margin.diagnosis.segments import inflated, segments_of


def test_scores_of_a_skewed_feature_are_normal() -> None:
    """Scores of other draws of a lognormal feature pass for normal ones (Kolmogorov-Smirnov), its raw values not."""
    rng = np.random.default_rng(4)
    scale = scores_of(np.exp(rng.normal(size=(4000, 1))))
    other = np.exp(rng.normal(size=(2000, 1)))
    assert stats.kstest(scale.of(other)[:, 0], "norm").statistic < 0.04
    assert stats.kstest((other[:, 0] - other.mean()) / other.std(), "norm").statistic > 0.1


@given(st.integers(0, 10_000), st.floats(0.0, 0.9))
def test_scores_grow_with_the_feature(seed: int, lost: float) -> None:
    """The scale is monotone, far beyond the draws too, even where a share of the units reports exactly 0."""
    rng = np.random.default_rng(seed)
    drawn = np.where(rng.random((500, 1)) < lost, 0.0, np.abs(rng.normal(size=(500, 1))))
    at = np.linspace(-5.0, 9.0, 60)[:, None]
    found = scores_of(drawn).of(at)[:, 0]
    assert np.all(np.isfinite(found)) and np.all(np.diff(found) >= 0.0)
    assert found[-1] > 3.0


def test_equal_features_have_their_mean_score() -> None:
    """Where half of the units report 0, its score is the mean of the lower half of a normal distribution, -0.798."""
    drawn = np.concatenate([np.zeros(5000), np.linspace(1.0, 2.0, 5000)])[:, None]
    zero = scores_of(drawn).of(np.zeros((1, 1)))[0, 0]
    assert zero == pytest.approx(-stats.halfnorm.mean(), abs=0.05)


def test_units_that_a_cause_treats_alike_are_grouped() -> None:
    """A third of the units changed and two thirds not: two groups of them; a cause that does the same to all: one."""
    rng = np.random.default_rng(1)
    hit = np.arange(300) < 100
    changes = np.array([[size * hit, 0.5 * size * hit] for size in (2.0, 5.0, 20.0)]).transpose(0, 2, 1)
    labels = groups_of(changes + 0.05 * rng.normal(size=changes.shape))
    for one in (hit, ~hit):
        assert not set(labels[one]) & set(labels[~one])
    assert np.all(groups_of(np.full((3, 300, 2), 4.0)) == 0)


def test_many_prototypes_are_fitted_as_one_by_one() -> None:
    """Likelihoods of many are those of each; covariances twice as large give those of the inflated segments."""
    cov = np.array([[1.0, 0.3], [0.3, 2.0]])

    def at(size: float, *mean: float) -> Drawn:
        return Drawn(size, np.array(mean), np.array([mean]), np.array([cov]), 30.0)

    path = Path((at(1.0, 1.0, 0.0), at(2.0, 3.0, 1.0), at(5.0, 4.0, 4.0)), np.ones(1))
    segments = segments_of(at(0.0, 0.0, 0.0), [[path]], 0.01)
    rows = np.random.default_rng(2).normal(size=(300, 2)) * 3.0
    many = fit(segments, rows)
    for k in (0, 150, 299):
        one = fit(segments, rows[k])
        assert many.log_evidence[k] == pytest.approx(one.log_evidence)
        assert many.distance[k] == pytest.approx(one.distance)
    twice = np.full(segments.owner.size, 2.0)
    assert fit_of(segments, project(segments, rows), twice).log_evidence == pytest.approx(
        fit(inflated(segments, twice), rows).log_evidence
    )
