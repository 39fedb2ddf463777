"""The plan: points, order, cost, and refusals."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from margin.estimates.sensitivity import BadDesign, Piece, SobolDesign, collect, run

GROUPS = ("reference", "sensor", "sensor", "amplifier")


@pytest.mark.parametrize(("second_order", "factor"), [(False, 5), (True, 8)])
def test_runs_are_known_before_running(second_order: bool, factor: int) -> None:
    """Cost is base (d + 2), or base (2 d + 2) with second order, counted in groups and not in columns."""
    design = SobolDesign(GROUPS, base=64, second_order=second_order)
    rows = sum(piece.rows for piece in design.pieces()) * len(design.matrices)
    assert design.runs == 64 * factor == rows


def test_exchanged_rows_take_whole_groups_from_the_other_matrix() -> None:
    """AB_g is A with all columns of g from B and BA_g is B with all columns of g from A."""
    design = SobolDesign(GROUPS, base=16, second_order=True, scramblings=2)
    points = design.points(next(design.pieces()))
    sensor = np.array([False, True, True, False])
    a, b = design.exchanged(points, "A", None), design.exchanged(points, "B", None)
    np.testing.assert_array_equal(design.exchanged(points, "AB", "sensor"), np.where(sensor, b, a))
    np.testing.assert_array_equal(design.exchanged(points, "BA", "sensor"), np.where(sensor, a, b))
    assert not np.any(a == b)


def test_points_do_not_depend_on_the_size_of_the_pieces() -> None:
    """Any size of the pieces gives the same outputs in the same order, to the bit."""
    design = SobolDesign(GROUPS, base=64, seed=3, scramblings=2)
    whole = run(design, lambda u: u, piece_rows=4096).values
    for piece_rows in (1, 7, 16, 40):
        np.testing.assert_array_equal(run(design, lambda u: u, piece_rows=piece_rows).values, whole)


def test_doubling_keeps_the_points_already_evaluated() -> None:
    """A doubled plan evaluates its second half only, and equals the plan run afresh."""
    design = SobolDesign(GROUPS, base=32, seed=5, scramblings=4)
    counted: list[int] = []

    def evaluate(uniforms: np.ndarray) -> np.ndarray:
        counted.append(len(uniforms))
        return uniforms.sum(axis=1)

    half = run(design, evaluate)
    whole = run(design.doubled(), evaluate, earlier=half)
    assert sum(counted) == design.doubled().runs
    np.testing.assert_array_equal(whole.values, run(design.doubled(), evaluate).values)
    np.testing.assert_array_equal(whole.first(32).values, half.values)


@settings(max_examples=15, deadline=None)
@given(exponent=st.integers(1, 7), seed=st.integers(0, 2**32), scrambling=st.integers(0, 3))
def test_every_column_is_stratified_and_open(exponent: int, seed: int, scrambling: int) -> None:
    """2^k rows put one point into each of 2^k equal cells of every column, none of them on 0 or 1."""
    design = SobolDesign(GROUPS, base=4 * 2**exponent, seed=seed, scramblings=4)
    rows = 2**exponent
    uniforms = design.points(Piece(((scrambling, slice(0, rows)),)))
    assert uniforms.min() > 0.0 and uniforms.max() < 1.0
    cells = np.sort(np.floor(uniforms * rows), axis=0)
    np.testing.assert_array_equal(cells, np.tile(np.arange(rows)[:, np.newaxis], (1, 8)))


def test_scramblings_and_seeds_differ_and_repeat() -> None:
    """Two scramblings, or two seeds, share no point; the same seed gives the same ones, also seed 0."""
    first = run(SobolDesign(GROUPS, base=16, seed=0, scramblings=2), lambda u: u).values
    again = run(SobolDesign(GROUPS, base=16, seed=0, scramblings=2), lambda u: u).values
    other = run(SobolDesign(GROUPS, base=16, seed=1, scramblings=2), lambda u: u).values
    np.testing.assert_array_equal(first, again)
    assert not np.any(first[0] == first[1])
    assert not np.any(first == other)


def test_a_point_is_found_again_by_its_place() -> None:
    """The uniforms of any run can be had from its scrambling, matrix and row."""
    design = SobolDesign(GROUPS, base=64, second_order=True, scramblings=4)
    values = run(design, lambda u: u).values
    np.testing.assert_array_equal(design.point(2, 4, 11), values[2, 4, 11])


def test_a_budget_is_rounded_down_and_said_so() -> None:
    """The largest power of two that the budget allows is taken, and a sentence says what came of it."""
    design = SobolDesign.within(GROUPS, budget=10_000)
    assert design.base == 1024 and design.runs == 5120 <= 10_000 < design.doubled().runs
    assert "5120 of 10000 runs" in design.rounding(10_000) and "2^7" in design.rounding(10_000)
    with pytest.raises(BadDesign, match="need 80 runs at least"):
        SobolDesign.within(GROUPS, budget=79)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"base": 24}, "power of two"),
        ({"base": 12}, "power of two"),
        ({"scramblings": 0}, "at least one"),
        ({"seed": -1}, "seed is -1"),
        ({"groups": ()}, "groups is empty"),
        ({"groups": ("a", "")}, "empty name"),
    ],
)
def test_an_impossible_plan_is_refused(change: dict[str, object], message: str) -> None:
    """Each refusal names the value and how to mend it."""
    with pytest.raises(BadDesign, match=message):
        SobolDesign(**({"groups": GROUPS, "base": 64} | change))  # type: ignore[arg-type]


def test_outputs_can_only_join_the_plan_they_came_from() -> None:
    """Outputs of another length are refused; those in row order are taken as they are."""
    design = SobolDesign(GROUPS, base=64, scramblings=2)
    values = run(design, lambda u: u[:, :2], names=("low", "high")).values
    joined = collect(design, values.reshape(-1, 2), names=("low", "high"))
    np.testing.assert_array_equal(joined.values, values)
    with pytest.raises(BadDesign, match="plan of 320 runs"):
        collect(design, np.zeros(384))
    with pytest.raises(BadDesign, match="another plan"):
        run(SobolDesign(GROUPS, base=128, seed=9, scramblings=2), lambda u: u, earlier=joined)


def test_a_model_that_loses_rows_is_refused() -> None:
    """An output that is not one row a row of uniforms stops the run with the shapes."""
    with pytest.raises(ValueError, match=r"shape \(3,\) for 64 rows"):
        run(SobolDesign(GROUPS, base=64), lambda u: u[:3, 0])
