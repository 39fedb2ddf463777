"""Bounded search against functions whose extremes are known."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from margin.estimates.worst_case.screen import Evaluate, screen
from margin.estimates.worst_case.search import ROWS, Found, search

Array = NDArray[np.float64]


def extremes(errors: Evaluate, low: Array, high: Array, centre: Array | None = None) -> Found:
    """Search from the middle, or from `centre`."""
    middle = 0.5 * (low + high) if centre is None else centre
    return search(errors, low, middle, high, screen(errors, low, middle, high))


@given(st.integers(0, 10_000))
@settings(max_examples=25, deadline=None)
def test_corners_of_a_multilinear_function(seed: int) -> None:
    """A function linear in each of six variables has its extremes on corners: no corner lies beyond those found
    (all 64 tried)."""
    generator = np.random.Generator(np.random.Philox(seed))
    pairs = generator.normal(size=(6, 6)) * (1.0 - np.eye(6))
    triple = generator.normal()

    def output(rows: Array) -> Array:
        products = np.einsum("ri,ij,rj->r", rows, pairs, rows) + triple * rows[:, 0] * rows[:, 1] * rows[:, 2]
        return np.stack([products, rows.sum(axis=1) - products], axis=1)

    every = output(np.array(list(itertools.product((-1.0, 2.0), repeat=6))))
    found = extremes(output, np.full(6, -1.0), np.full(6, 2.0))
    assert found.error[0] == pytest.approx(every.min(axis=0))
    assert found.error[1] == pytest.approx(every.max(axis=0))


def test_extremes_inside_the_limits() -> None:
    """The highest point of a narrow ridge lies at no limit and at no centre: it is found to a 1e-3 of its
    height, beside other tops that are lower (closed form)."""
    top = np.array([0.37, -0.21, 0.83, 0.05])

    def output(rows: Array) -> Array:
        away = np.sum((rows - top) ** 2, axis=1)
        return (np.exp(-2.0 * away) + 0.05 * np.cos(9.0 * rows[:, 0]))[:, None]

    found = extremes(output, np.full(4, -1.0), np.full(4, 1.0))
    fine = np.tile(top, (4001, 1))
    fine[:, 0] = np.linspace(-1.0, 1.0, 4001)
    assert found.error[1, 0] == pytest.approx(output(fine).max(), rel=1e-3)
    assert np.all(np.abs(found.corner[1, 0]) < 1.0)


def test_a_pair_that_must_move_together() -> None:
    """Neither variable alone changes anything, both together do; the others keep their centre (closed form)."""

    def output(rows: Array) -> Array:
        return (rows[:, 3] * rows[:, 7])[:, None]

    found = extremes(output, np.full(10, -1.0), np.full(10, 2.0), np.zeros(10))
    assert found.error.ravel() == pytest.approx([-2.0, 4.0])
    assert np.count_nonzero(found.corner[1, 0]) == 2
    assert found.change[1, 0, [3, 7]] == pytest.approx([4.0, 4.0])


def test_the_error_is_that_of_the_corner() -> None:
    """Each extreme is reached by the corner given with it, inside the limits."""
    generator = np.random.Generator(np.random.Philox(5))
    gains = generator.normal(size=(30, 4))

    def output(rows: Array) -> Array:
        return np.asarray(np.tanh(rows @ gains) + 0.1 * np.sin(rows @ gains))

    low, high = -generator.random(30), generator.random(30)
    found = extremes(output, low, high, np.zeros(30))
    for end in range(2):
        assert np.all((found.corner[end] >= low) & (found.corner[end] <= high))
        assert np.diag(output(found.corner[end])) == pytest.approx(found.error[end])


def test_the_cost_is_bounded() -> None:
    """A rough function of many variables spends no more than the rows allowed and those of one last sweep."""
    generator = np.random.Generator(np.random.Philox(6))
    waves = 3.0 * generator.normal(size=(60, 8))
    found = extremes(lambda rows: np.sin(rows @ waves), np.full(60, -1.0), np.full(60, 1.0))
    assert found.rows < ROWS + 2 * 60 * 8 * 2 * 4
    assert np.all(found.error[1] > 0.99)


def test_nothing_to_search() -> None:
    """Without variables the extremes are the one output there is."""
    found = extremes(lambda rows: np.full((rows.shape[0], 3), 7.0), np.zeros(0), np.zeros(0))
    assert np.all(found.error == 7.0)
    assert found.corner.shape == (2, 3, 0)
