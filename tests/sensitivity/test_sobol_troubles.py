"""Outputs that do not vary and runs that fail."""

from __future__ import annotations

import pickle

import numpy as np
import pytest

from margin.estimates.sensitivity import FailedEvaluations, SobolDesign, run, sobol_indices

GROUPS = ("a", "b")


@pytest.mark.parametrize("constant", [0.0, 0.4, 0.5, 192.53, 1e6])
def test_a_constant_output_has_no_index_and_a_reason(constant: float) -> None:
    """A constant gives NaN with a named reason, never a share of round-off, whatever its value."""
    found = sobol_indices(run(SobolDesign(GROUPS, 64), lambda u: np.full(len(u), constant), ("offset",)))
    table = found.to_frame()
    assert table[["first", "first_low", "total", "total_high", "first_variance"]].isna().all(axis=None)
    assert (table["verdict"] == "undefined").all()
    assert table["reason"].str.contains("output 'offset' did not vary").all()


def test_a_constant_that_carries_round_off_is_still_constant() -> None:
    """0.1 + 0.2 summed in changing order varies in the last digit only, and counts as constant."""
    found = sobol_indices(
        run(SobolDesign(GROUPS, 64), lambda u: np.where(u[:, 0] > 0.5, 0.1 + 0.2, 0.3), ("sum",))
    )
    assert list(found.reasons) == ["sum"]


def test_one_constant_output_among_several_leaves_the_others_alone() -> None:
    """Only the constant column is NaN; its neighbours have their indices."""
    found = sobol_indices(
        run(
            SobolDesign(GROUPS, 256),
            lambda u: np.stack([u[:, 0] + u[:, 1], np.full(len(u), 0.4), u[:, 0]], axis=1),
            ("sum", "flat", "first"),
        )
    )
    assert list(found.reasons) == ["flat"]
    assert np.isnan(found.total.value[:, 1]).all() and np.isnan(found.variance.value[1])
    np.testing.assert_allclose(found.total.value[:, 0], 0.5, atol=0.02)
    np.testing.assert_allclose(found.total.value[:, 2], [1.0, 0.0], atol=0.02)


def failing(uniforms: np.ndarray) -> np.ndarray:
    """Fails where the first input is in its upper two percent."""
    return np.where(uniforms[:, 0] > 0.98, np.nan, uniforms.sum(axis=1))


def test_failed_runs_stop_the_analysis_with_count_row_and_inputs() -> None:
    """The error counts the failed runs, shows the inputs of the first, and survives pickling."""
    design = SobolDesign(GROUPS, 512)
    evaluations = run(design, failing)
    with pytest.raises(FailedEvaluations, match="no finite output in") as caught:
        sobol_indices(evaluations)
    error = caught.value
    assert error.count == int(np.isnan(evaluations.values).sum()) > 0
    assert error.total == design.runs
    assert error.inputs[0] > 0.98
    assert f"{error.inputs[1]:.6g}" in str(error)
    again = pickle.loads(pickle.dumps(error))
    assert str(again) == str(error) and again.inputs == error.inputs


def test_dropping_takes_whole_base_rows_and_says_how_many() -> None:
    """'drop' leaves out each base row with a failed run in any matrix, and the result counts them."""
    evaluations = run(SobolDesign(GROUPS, 512), failing)
    found = sobol_indices(evaluations, failures="drop")
    lost = int(np.isnan(evaluations.values).any(axis=(1, 3)).sum())
    assert found.dropped == lost > 0
    assert (found.to_frame()["N"] == 512 - lost).all()
    # without the top 2 % of one input, variances are 0.98^2 and 1 twelfths
    expected = np.array([0.98**2, 1.0]) / (0.98**2 + 1.0)
    np.testing.assert_allclose(found.total.value[:, 0], expected, atol=0.03)


def test_a_model_that_fails_nearly_always_cannot_be_dropped_to_nothing() -> None:
    """Where a scrambling keeps fewer than two rows there is no estimate, and the error says so."""
    evaluations = run(SobolDesign(GROUPS, 64), lambda u: np.where(u[:, 0] > 0.05, np.nan, u[:, 1]))
    with pytest.raises(ValueError, match="fewer than two rows"):
        sobol_indices(evaluations, failures="drop")


def test_infinite_outputs_count_as_failed() -> None:
    """An infinite output is a failed run: no variance could be had from it."""
    evaluations = run(SobolDesign(GROUPS, 64), lambda u: np.where(u[:, 0] > 0.9, np.inf, u[:, 1]))
    with pytest.raises(FailedEvaluations):
        sobol_indices(evaluations)
