"""The Gaussian copula and the nearest correlation matrix."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from distributions import (
    GaussianCopula,
    NotPositiveDefinite,
    Stream,
    correlation_matrix,
    nearest_correlation,
)

NAMES = ("gain", "offset", "drift")
RANKS = np.array([[1.0, 0.7, -0.3], [0.7, 1.0, 0.1], [-0.3, 0.1, 1.0]])


def independent(count: int, rows: int = 3) -> np.ndarray:
    return np.array([Stream(2).uniforms(f"f{i}", 0, count) for i in range(rows)])


def test_rank_correlations_are_those_asked_for() -> None:
    """Spearman correlations of 200 000 draws are those of the matrix."""
    found = stats.spearmanr(GaussianCopula(NAMES, RANKS).apply(independent(200_000)).T).statistic
    np.testing.assert_allclose(found, RANKS, atol=0.01)


def test_normal_correlations_are_those_asked_for() -> None:
    """Pearson correlations of the normal scores are those of the second constructor's matrix."""
    copula = GaussianCopula.from_normal_correlation(NAMES, RANKS)
    found = np.corrcoef(stats.norm.ppf(copula.apply(independent(200_000))))
    np.testing.assert_allclose(found, RANKS, atol=0.01)
    np.testing.assert_allclose(copula.normal_correlation, RANKS, rtol=1e-12)


def test_each_factor_stays_uniform() -> None:
    """Dependence leaves the distribution of each factor as it was, inside the open interval."""
    tied = GaussianCopula(NAMES, RANKS).apply(independent(100_000))
    assert tied.min() > 0.0 and tied.max() < 1.0
    for row in tied:
        assert stats.kstest(row, "uniform").pvalue > 1e-3


def test_independent_factors_keep_their_draws() -> None:
    """The first factor and one tied to none keep their draws to the bit."""
    ranks = np.array([[1.0, 0.6, 0.0], [0.6, 1.0, 0.0], [0.0, 0.0, 1.0]])
    u = independent(1000)
    tied = GaussianCopula(NAMES, ranks).apply(u)
    np.testing.assert_array_equal(tied[[0, 2]], u[[0, 2]])
    assert not np.array_equal(tied[1], u[1])


@pytest.mark.parametrize("count", [1, 2, 3, 7, 64, 999])
def test_a_draw_does_not_depend_on_how_many_are_made_at_once(count: int) -> None:
    """The first columns are the same to the bit for any number of columns."""
    u = independent(1000, 8)
    ranks = 0.4 + 0.6 * np.eye(8)
    copula = GaussianCopula(tuple("abcdefgh"), ranks)
    np.testing.assert_array_equal(copula.apply(u[:, :count]), copula.apply(u)[:, :count])


def test_contradicting_correlations_name_their_factors_and_a_way_out() -> None:
    """The error names the three factors that contradict one another and offers a valid matrix."""
    ranks = np.eye(4)
    ranks[0, 1] = ranks[1, 0] = ranks[0, 3] = ranks[3, 0] = 0.9
    ranks[1, 3] = ranks[3, 1] = -0.9
    with pytest.raises(NotPositiveDefinite) as caught:
        GaussianCopula(("gain", "offset", "bystander", "drift"), ranks)
    message = str(caught.value)
    assert "gain, offset, drift" in message and "bystander" not in message
    assert caught.value.names == ("gain", "offset", "drift")
    assert f"{caught.value.nearest[0, 1]:+.3f}" in message
    repaired = GaussianCopula(caught.value.names, caught.value.nearest)
    assert np.linalg.eigvalsh(repaired.normal_correlation)[0] > 0.0


def test_nearest_correlation_matrix_of_the_published_example() -> None:
    """Higham, IMA J. Numer. Anal. 22 (2002): tridiagonal ones give 0.7607 and 0.1573 (from memory)."""
    matrix = np.array([[1.0, 1.0, 0.0], [1.0, 1.0, 1.0], [0.0, 1.0, 1.0]])
    nearest = nearest_correlation(matrix, smallest=1e-9)
    expected = np.array([[1.0, 0.7607, 0.1573], [0.7607, 1.0, 0.7607], [0.1573, 0.7607, 1.0]])
    np.testing.assert_allclose(nearest, expected, atol=6e-5)


def test_nearest_correlation_matrix_leaves_a_valid_one_alone() -> None:
    """A matrix that is positive definite is its own nearest one."""
    np.testing.assert_allclose(nearest_correlation(RANKS), RANKS, atol=1e-9)


@pytest.mark.parametrize(
    ("names", "matrix", "words"),
    [
        (("a", "b"), np.eye(3), "2 x 2"),
        (("a", "b"), [[1.0, 0.5], [0.4, 1.0]], "symmetric"),
        (("a", "b"), [[1.0, 0.5], [0.5, 0.9]], "ones on its diagonal"),
        (("a", "b"), [[1.0, 1.2], [1.2, 1.0]], "between -1 and 1"),
        (("a", "b"), [[1.0, np.nan], [np.nan, 1.0]], "finite"),
        (("a", "a"), np.eye(2), "once"),
    ],
)
def test_matrices_that_are_no_correlation_matrices_are_refused(
    names: tuple[str, ...], matrix: np.ndarray, words: str
) -> None:
    """Wrong size, asymmetry, diagonal, range, missing numbers and repeated names are errors."""
    with pytest.raises(ValueError, match=words):
        GaussianCopula(names, matrix)


def test_copulas_are_compared_by_value() -> None:
    """Equal names and numbers make equal copulas with equal hashes; the matrix cannot be changed."""
    first, second = GaussianCopula(NAMES, RANKS), GaussianCopula(NAMES, RANKS.tolist())  # type: ignore[arg-type]
    assert first == second and hash(first) == hash(second)
    assert first != GaussianCopula(NAMES, np.eye(3))
    with pytest.raises(ValueError, match="read-only"):
        first.rank_correlation[0, 1] = 0.5


def test_draws_of_another_shape_are_refused() -> None:
    """Uniforms need one row for each name."""
    with pytest.raises(ValueError, match="shape"):
        GaussianCopula(NAMES, RANKS).apply(np.full((2, 5), 0.5))


def test_a_correlation_of_one_is_one_draw() -> None:
    """Names tied by 1 have the same draws to the bit, by -1 mirrored ones, and each keeps its further ties."""
    ranks = np.array(
        [[1.0, 0.5, 1.0, -1.0], [0.5, 1.0, 0.5, -0.5], [1.0, 0.5, 1.0, -1.0], [-1.0, -0.5, -1.0, 1.0]]
    )
    u = independent(50_000, 4)
    tied = GaussianCopula(("a", "b", "same", "mirrored"), ranks).apply(u)
    np.testing.assert_array_equal(tied[0], u[0])
    np.testing.assert_array_equal(tied[2], tied[0])
    np.testing.assert_array_equal(tied[3], 1.0 - tied[0])
    np.testing.assert_allclose(stats.spearmanr(tied.T).statistic, ranks, atol=0.02)
    assert tied.min() > 0.0 and tied.max() < 1.0


def test_a_tie_to_a_later_name_follows_it_through_the_dependence() -> None:
    """The second of two equal names is mixed with the first as the one that it equals is."""
    ranks = np.array([[1.0, 0.5, 0.5], [0.5, 1.0, 1.0], [0.5, 1.0, 1.0]])
    tied = GaussianCopula(NAMES, ranks).apply(independent(1000))
    np.testing.assert_array_equal(tied[1], tied[2])
    alone = GaussianCopula(NAMES[:2], ranks[:2, :2]).apply(independent(1000)[:2])
    np.testing.assert_allclose(tied[1], alone[1], rtol=1e-12)


@settings(max_examples=40, deadline=None)
@given(st.integers(2, 5), st.integers(1, 4), st.integers(0, 2**32 - 1))
def test_the_root_of_a_singular_matrix_gives_it_back(names: int, rank: int, seed: int) -> None:
    """Any positive semi-definite correlation of normals is met: root root^T is the matrix, root lower triangular."""
    rows = np.random.default_rng(seed).standard_normal((names, min(rank, names)))
    rows /= np.linalg.norm(rows, axis=1, keepdims=True)
    normal = rows @ rows.T
    np.fill_diagonal(normal, 1.0)
    copula = GaussianCopula.from_normal_correlation(tuple("abcde"[:names]), np.clip(normal, -1.0, 1.0))
    np.testing.assert_allclose(copula.root @ copula.root.T, copula.normal_correlation, atol=2e-6)
    np.testing.assert_array_equal(np.triu(copula.root, 1), 0.0)


def test_a_regular_matrix_keeps_its_root_to_the_bit() -> None:
    """Draws of correlations inside -1 to 1 are those of LAPACK's Cholesky factor."""
    copula = GaussianCopula(NAMES, RANKS)
    np.testing.assert_array_equal(copula.root, np.linalg.cholesky(copula.normal_correlation))


def test_whole_ties_that_contradict_a_third_are_refused_by_name() -> None:
    """What is one draw cannot be tied to a third in two ways; the offer is valid."""
    ranks = np.array([[1.0, 1.0, 0.5], [1.0, 1.0, -0.5], [0.5, -0.5, 1.0]])
    with pytest.raises(NotPositiveDefinite, match="gain, offset, drift") as caught:
        GaussianCopula(NAMES, ranks)
    GaussianCopula(caught.value.names, caught.value.nearest)


def test_what_follows_from_whole_ties_need_not_be_stated() -> None:
    """Along a chain of 1 and -1 every further correlation follows with its sign; what is stated stays."""
    ties = [("a", "b", 1.0), ("b", "c", -1.0), ("d", "a", 0.4), ("e", "d", 0.2)]
    expected = np.array([
        [1.0, 1.0, -1.0, 0.4, 0.0], [1.0, 1.0, -1.0, 0.4, 0.0], [-1.0, -1.0, 1.0, -0.4, 0.0],
        [0.4, 0.4, -0.4, 1.0, 0.2], [0.0, 0.0, 0.0, 0.2, 1.0],
    ])  # fmt: skip
    np.testing.assert_array_equal(correlation_matrix("abcde", ties), expected)
    np.testing.assert_array_equal(correlation_matrix("abcde", ties[::-1]), expected)
    GaussianCopula(tuple("abcde"), expected)
    against = correlation_matrix("abd", [("a", "b", 1.0), ("d", "a", 0.4), ("d", "b", 0.0)])
    assert against[1, 2] == 0.0
    with pytest.raises(NotPositiveDefinite):
        GaussianCopula(("a", "b", "d"), against)
