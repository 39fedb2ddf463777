"""Yields over age against closed forms and a quadrature; how often their intervals hold is in tests/benchmarks."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from tests.benchmarks.age_coverage import STUDIES, TARGET, Study

CHOSEN = [each for each in STUDIES if each.units == 2000 and "random" not in each.name]


@pytest.mark.parametrize("study", CHOSEN, ids=lambda study: study.name)
def test_yields_over_age_are_exact_within_what_units_leave(study: Study) -> None:
    """Within five standard errors of as many random units at every age, and the interval of recalibration about its
    root: not shown beyond it, and estimated as near as the yield is known there."""
    found = dataclasses.replace(study, units=1000).followed(4)
    for at in found.ages:
        exact = study.yields(at.age)
        assert at.found.sampled.value == pytest.approx(
            exact, abs=5.0 * np.sqrt(exact * (1.0 - exact) / 1000) + 1e-9
        )
    interval, exact = found.interval, study.interval()
    assert interval.shown is not None and interval.estimated is not None
    assert interval.shown <= exact
    error = 5.0 * np.sqrt(TARGET * (1.0 - TARGET) / 1000)
    near = [study.bound(interval.estimated * factor) for factor in (0.9, 1.1)]
    assert min(near) - error <= TARGET <= max(near) + error
