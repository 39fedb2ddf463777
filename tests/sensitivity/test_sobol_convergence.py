"""Narrow enough, how many more runs, and running until it is so."""

from __future__ import annotations

import numpy as np
import pytest
from analytic_functions import ishigami, linear

from margin.estimates.sensitivity import (
    SobolDesign,
    converged,
    curve,
    more_runs,
    refine,
    run,
    sobol_indices,
    widest,
)

X = ("x1", "x2", "x3")


def test_doubling_stops_when_narrow_enough() -> None:
    """Points are added until the widest interval meets the width, and the result says what stopped it."""
    found = refine(SobolDesign(tuple("abcde"), 64), linear, width=0.05, budget=100_000)
    assert found.stopped_by == "width" and found.runs_more == 0
    assert converged(found.indices, 0.05)
    assert list(found.history["widest"] <= 0.05) == [False] * (len(found.history) - 1) + [True]
    assert list(found.history["base"]) == [64 * 2**step for step in range(len(found.history))]


def test_doubling_stops_when_the_budget_is_spent() -> None:
    """No plan beyond the budget is run; the result says so and how many runs are still needed."""
    counted: list[int] = []

    def counting(uniforms: np.ndarray) -> np.ndarray:
        counted.append(len(uniforms))
        return ishigami(uniforms)

    found = refine(SobolDesign(X, 64), counting, width=0.001, budget=3000)
    assert found.stopped_by == "budget"
    assert sum(counted) == found.indices.design.runs == 64 * 8 * 5 <= 3000
    assert found.runs_more > 0
    with pytest.raises(ValueError, match="start with a smaller base"):
        refine(SobolDesign(X, 64), ishigami, width=0.1, budget=100)


def test_more_runs_follow_the_root_law() -> None:
    """Half the width takes four times the runs, a quarter sixteen times; nothing more once it is met."""
    indices = sobol_indices(run(SobolDesign(X, 256), ishigami))
    reached = widest(indices)
    assert more_runs(indices, reached) == 0
    assert more_runs(indices, reached / 2) == 3 * indices.design.runs
    assert more_runs(indices, reached / 4) == 15 * indices.design.runs
    with pytest.raises(ValueError, match="full width"):
        more_runs(indices, 0.0)


def test_the_curve_needs_no_new_runs_and_ends_at_the_study() -> None:
    """Index against N comes from nested parts of one study; its last part is the study itself."""
    evaluations = run(SobolDesign(X, 8 * 64), ishigami)
    table = curve(evaluations)
    assert sorted(set(table["N"])) == [128, 256, 512]
    last = table[table["N"] == 512].reset_index(drop=True)
    assert last.equals(sobol_indices(evaluations).to_frame())
    small = sobol_indices(run(SobolDesign(X, 128), ishigami)).to_frame()
    np.testing.assert_array_equal(table[table["N"] == 128]["total"], small["total"])
