"""The independent look at an estimate: it speaks where a region was missed, and is silent where none was."""

from __future__ import annotations

import numpy as np
import pytest
from limit_states import KnownLimit, Limit
from rare_limits import exponential_sum, linear

from margin.estimates.rare import failure_probability, importance_sampling, second_look
from margin.estimates.rare.design_point import search
from margin.estimates.rare.limit import CountedLimit

WELL = [linear(4.0, 2), linear(5.0, 20), exponential_sum(2, 16.6884207909)]


def test_a_region_that_was_left_out_is_named_with_its_distance() -> None:
    """Two branches at 4.0 and 3.9 standard deviations, of which the estimate was given the first."""
    limit = Limit(8, lambda z: np.minimum(4.0 - z[0], 3.9 + z[1]))
    counted = CountedLimit(limit, 8)
    point = search(counted, np.eye(8)[0], 4.0)
    assert point is not None
    # without its warnings, as if nothing had been noticed
    found = importance_sampling(limit, [point], seed=1)
    looked = second_look(counted, found, 1)
    news = looked.warnings[len(found.warnings) :]
    assert any("region was missed" in text and "3.90 standard deviations" in text for text in news)
    assert looked.probability == found.probability


@pytest.mark.parametrize("known", WELL, ids=lambda known: known.name)
def test_it_is_silent_where_nothing_was_missed(known: KnownLimit) -> None:
    """Over twenty seeds no false alarm."""
    limit = CountedLimit(known.limit, known.limit.dimension)
    for seed in range(20):
        found = failure_probability(known.limit, known.limit.dimension, seed=seed)
        assert second_look(limit, found, seed).warnings == ()


def test_an_estimate_far_too_low_is_contradicted() -> None:
    """Failure all around the origin, of which the estimate knows one point and a hundredth of the probability."""
    limit = Limit(6, lambda z: 5.0 - np.sqrt((z**2).sum(axis=0)))
    counted = CountedLimit(limit, 6)
    point = search(counted, np.eye(6)[0], 5.0)
    assert point is not None
    found = importance_sampling(linear(5.0, 6).limit, [point], seed=2)
    assert any("independent run found a" in text for text in second_look(counted, found, 2).warnings)
