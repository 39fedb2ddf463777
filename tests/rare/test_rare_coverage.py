"""How often the 95 % interval of a rare failure covers the exact probability: 93 % to 97 % of 400 runs."""

from __future__ import annotations

import numpy as np
import pytest
from limit_states import KnownLimit
from rare_limits import exponential_sum, linear, radial

from margin.estimates.rare import failure_probability, subset_sampling

RUNS = range(400)


@pytest.mark.parametrize(
    "known", [linear(5.0, 20), exponential_sum(2, 16.6884207909)], ids=lambda known: known.name
)
def test_importance_sampling_covers_as_often_as_it_says(known: KnownLimit) -> None:
    """At 2.9e-7 and 1e-6; all limit states: tests/benchmarks/rare_coverage.py."""
    found = [failure_probability(known.limit, known.limit.dimension, seed=seed) for seed in RUNS]
    assert all(one.method == "importance" for one in found)
    assert 0.93 <= np.mean([one.low <= known.probability <= one.high for one in found]) <= 0.97


def test_subset_sampling_covers_as_often_as_it_says() -> None:
    """Failure all around the origin, at the usual coefficient of variation of 10 %."""
    known = radial(2, 4.5)
    found = [subset_sampling(known.limit, target_cv=0.1, budget=100_000, seed=seed) for seed in RUNS]
    assert 0.93 <= np.mean([one.low <= known.probability <= one.high for one in found]) <= 0.97
