"""Coverage intervals of samples."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from distributions import Exponential, Normal, shortest_interval, symmetric_interval

U = (np.arange(100_000) + 0.5) / 100_000


def test_intervals_of_a_normal_sample_are_both_symmetric() -> None:
    """For a normal distribution both 95 % intervals are mean +- 1.96 sd."""
    sample = Normal(3.0, 2.0).ppf(U)
    np.testing.assert_allclose(symmetric_interval(sample, 0.95), (3 - 3.92, 3 + 3.92), atol=2e-3)
    np.testing.assert_allclose(shortest_interval(sample, 0.95), (3 - 3.92, 3 + 3.92), atol=0.05)


def test_shortest_interval_of_an_exponential_sample_starts_at_zero() -> None:
    """The shortest 95 % interval of an exponential distribution is [0, 3.00], not the symmetric one."""
    sample = Exponential(1.0).ppf(U)
    np.testing.assert_allclose(shortest_interval(sample, 0.95), (0.0, -np.log(0.05)), atol=2e-3)
    np.testing.assert_allclose(symmetric_interval(sample, 0.95), (-np.log(0.975), -np.log(0.025)), atol=2e-3)


@given(st.integers(0, 1000), st.floats(0.5, 0.99))
@settings(max_examples=30, deadline=None)
def test_shortest_interval_is_never_longer_and_holds_its_share(seed: int, probability: float) -> None:
    """It holds the stated share of the sample and is no longer than the symmetric one, to one step."""
    sample = np.random.default_rng(seed).gamma(2.0, size=5000)
    low, high = shortest_interval(sample, probability)
    assert np.mean((sample >= low) & (sample <= high)) >= probability - 1.0 / 5000
    other = symmetric_interval(sample, probability)
    assert high - low <= (other[1] - other[0]) * (1.0 + 1e-3)


@pytest.mark.parametrize(("sample", "probability"), [([1.0], 0.9), ([1.0, np.nan], 0.9), ([1.0, 2.0], 1.0)])
def test_impossible_requests_are_refused(sample: list[float], probability: float) -> None:
    """Too few values, values that are not finite and a probability outside (0, 1) are errors."""
    with pytest.raises(ValueError, match=r"two finite values|inside"):
        shortest_interval(np.array(sample), probability)
