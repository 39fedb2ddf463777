"""Many draws from one uniform: the generator, and that rows of different seeds have nothing in common."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from distributions import uniforms_from
from distributions.seeded import _GOLDEN, _mixed

SEEDS = np.random.default_rng(5).random(4000)


def test_the_mixer_is_that_of_splitmix64() -> None:
    """Stepped by the golden gamma from state 0, it gives the first words of the published generator.

    Steele, Lea and Flood 2014; the words of the reference implementation for seed 0 are from memory.
    """
    states = _GOLDEN * np.arange(1, 4, dtype=np.uint64)
    expected = [0xE220A8397B1DCDAF, 0x6E789E6AA1B965F4, 0x06C45D188009454F]
    assert [int(word) for word in _mixed(states)] == expected


@given(st.floats(0.0, 1.0, exclude_max=True), st.text(max_size=20), st.integers(1, 50))
@settings(max_examples=50, deadline=None)
def test_a_seed_has_one_row_inside_the_open_interval(seed: float, name: str, count: int) -> None:
    """The same seed, name and count give the same row, whatever stands beside it; never 0 nor 1."""
    alone = uniforms_from(np.array([seed]), name, count)
    among = uniforms_from(np.array([0.25, seed, 0.75]), name, count)
    assert alone.shape == (1, count)
    assert np.array_equal(alone[0], among[1])
    assert np.all((alone > 0.0) & (alone < 1.0))


@given(st.integers(1, 30), st.integers(0, 30))
@settings(max_examples=30, deadline=None)
def test_the_first_draws_do_not_depend_on_how_many_there_are(few: int, more: int) -> None:
    """The first of many draws are those that a shorter row has."""
    whole = uniforms_from(SEEDS[:20], "placements", few + more)
    assert np.array_equal(whole[:, :few], uniforms_from(SEEDS[:20], "placements", few))


@pytest.mark.parametrize("name", ["a", "noise of use"])
def test_draws_are_uniform(name: str) -> None:
    """Each place of the row, and the rows together, are uniform (Kolmogorov and Smirnov, scipy)."""
    drawn = uniforms_from(SEEDS, name, 8)
    assert min(stats.kstest(column, "uniform").pvalue for column in drawn.T) > 0.01 / 8
    assert stats.kstest(drawn.ravel(), "uniform").pvalue > 0.01


@pytest.mark.parametrize("step", [0.0, 2.0**-53, 1e-9])
def test_neighbouring_seeds_and_other_names_are_unrelated(step: float) -> None:
    """Rows of seeds one step apart, of other names, and the places of one row do not correlate: no coefficient
    beyond 4.5 standard errors."""
    seeds = 0.5 + 0.25 * SEEDS
    one = uniforms_from(seeds, "one", 6)
    other = uniforms_from(seeds + step, "one" if step else "other", 6)
    found = np.corrcoef(np.concatenate([one, other], axis=1), rowvar=False)
    np.fill_diagonal(found, 0.0)
    assert np.abs(found).max() < 4.5 / np.sqrt(SEEDS.size)
    assert np.abs(np.corrcoef(seeds, one[:, 0])[0, 1]) < 4.5 / np.sqrt(SEEDS.size)


def test_seeds_on_a_grid_give_different_rows() -> None:
    """Points of a plan, many of which share leading bits, never share a row."""
    grid = (np.arange(1 << 14) + 0.5) / (1 << 14)
    drawn = uniforms_from(grid, "placements", 2)
    assert len({row.tobytes() for row in drawn}) == grid.size
