"""Two runs of one study by different ways of computing: their counts."""

from __future__ import annotations

import dataclasses

import numpy as np

from margin.propagation.run_result import RunResult
from margin.propagation.tally import Tally


def assert_same_counts(
    found: RunResult, plain: RunResult, paths: tuple[str, str], allowed: float = 0.0
) -> None:
    """All whole numbers are equal, but for the share that is allowed; extremes up to the last bits of exponentials
    and logarithms."""
    assert (found.path, plain.path) == paths
    assert found.tallies.keys() == plain.tallies.keys()
    for name, tally in plain.tallies.items():
        for field in dataclasses.fields(Tally):
            ours, theirs = getattr(found.tallies[name], field.name), getattr(tally, field.name)
            if field.name in ("low", "high"):
                np.testing.assert_allclose(ours, theirs, rtol=1e-9, atol=1e-9)
            elif allowed:
                assert np.abs(ours - theirs).sum() <= allowed * theirs.sum(), f"{name}: {field.name}"
            else:
                np.testing.assert_array_equal(ours, theirs, err_msg=f"{name}: {field.name}")
        np.testing.assert_array_equal(found.samples[name], plain.samples[name])
    np.testing.assert_array_equal(found.clipped, plain.clipped)
    np.testing.assert_array_equal(found.blind, plain.blind)


def assert_same_bits(one: RunResult, other: RunResult) -> None:
    """Every number of the results is the same."""
    np.testing.assert_array_equal(one.clipped, other.clipped)
    np.testing.assert_array_equal(one.blind, other.blind)
    for name, tally in one.tallies.items():
        for field in dataclasses.fields(Tally):
            np.testing.assert_array_equal(
                getattr(tally, field.name), getattr(other.tallies[name], field.name), err_msg=field.name
            )
        np.testing.assert_array_equal(one.samples[name], other.samples[name])
