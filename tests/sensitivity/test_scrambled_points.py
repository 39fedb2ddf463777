"""Scrambled Sobol points, and what a model may return for them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from margin.estimates.sensitivity.evaluations import as_outputs
from margin.estimates.sensitivity.scrambled_points import BadDesign, check_points, scrambled_points


@settings(max_examples=15, deadline=None)
@given(exponent=st.integers(1, 7), seed=st.integers(0, 2**32), scrambling=st.integers(0, 3))
def test_every_column_is_stratified_and_open(exponent: int, seed: int, scrambling: int) -> None:
    """2^k rows put one point into each of 2^k equal cells of every column, none of them on 0 or 1."""
    rows = 2**exponent
    uniforms = scrambled_points(8, seed, scrambling, slice(0, rows))
    assert uniforms.min() > 0.0 and uniforms.max() < 1.0
    cells = np.sort(np.floor(uniforms * rows), axis=0)
    np.testing.assert_array_equal(cells, np.tile(np.arange(rows)[:, np.newaxis], (1, 8)))


def test_scramblings_and_seeds_differ_and_any_part_repeats() -> None:
    """Two scramblings, or two seeds, share no point; the same seed gives the same ones, part by part."""
    first = scrambled_points(3, 0, 0, slice(0, 16))
    parts = [scrambled_points(3, 0, 0, slice(start, start + 5)) for start in (0, 5, 10)]
    np.testing.assert_array_equal(np.concatenate(parts), first[:15])
    assert not np.any(first == scrambled_points(3, 0, 1, slice(0, 16)))
    assert not np.any(first == scrambled_points(3, 1, 0, slice(0, 16)))


@pytest.mark.parametrize(
    ("asked", "message"),
    [((24, 8, 0), "power of two"), ((64, 0, 0), "at least one"), ((64, 8, -1), "seed is -1")],
)
def test_points_that_lose_their_balance_are_refused(asked: tuple[int, int, int], message: str) -> None:
    """Each refusal names the value and the remedy."""
    with pytest.raises(BadDesign, match=message):
        check_points(*asked)


def test_a_model_that_loses_rows_is_refused() -> None:
    """An output that is not one row a row of uniforms stops with the shapes."""
    with pytest.raises(ValueError, match=r"shape \(3,\) for 64 rows"):
        as_outputs(np.zeros(3), 64)
