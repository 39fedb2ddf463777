"""Addressable random numbers."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from distributions import Stream


def test_draws_are_those_of_the_first_release() -> None:
    """Known answers: guards against silent change of the streams."""
    np.testing.assert_array_equal(Stream(1).uniforms("resistor", 0, 3), FIRST)
    np.testing.assert_array_equal(Stream(1).uniforms("resistor", 1_000_001, 2), FAR)
    np.testing.assert_array_equal(Stream(1).uniforms("resistor", 0, 2, replicate=3), REPLICATED)


@given(start=st.integers(0, 2**40), count=st.integers(0, 300), cut=st.integers(0, 300))
@settings(max_examples=80, deadline=None)
def test_any_cut_gives_the_same_draws(start: int, count: int, cut: int) -> None:
    """Draws depend on their address alone, from any start, odd ones too."""
    stream, cut = Stream(7), min(cut, count)
    whole = stream.uniforms("gain", start, count)
    parts = [stream.uniforms("gain", start, cut), stream.uniforms("gain", start + cut, count - cut)]
    np.testing.assert_array_equal(whole, np.concatenate(parts))


def test_draws_are_uniform_and_inside_the_open_interval() -> None:
    """A million draws pass a Kolmogorov-Smirnov test against R(0, 1) and never reach 0 or 1."""
    u = Stream(3).uniforms("noise", 12_345, 1_000_000)
    assert u.min() > 0.0 and u.max() < 1.0
    assert stats.kstest(u, "uniform").pvalue > 1e-3


def test_names_seeds_and_replicates_are_independent() -> None:
    """Streams that differ in name, seed or replicate share no values and are not correlated."""
    streams = [
        Stream(seed).uniforms(name, 0, 100_000, replicate)
        for seed, name, replicate in itertools.product((1, 2), ("a", "b"), (0, 1))
    ]
    correlation = np.corrcoef(np.array(streams))
    assert np.abs(correlation - np.eye(len(streams))).max() < 4.5 / np.sqrt(100_000)
    assert len(np.unique(np.concatenate(streams))) == 800_000


def test_consecutive_draws_are_not_correlated() -> None:
    """Serial correlation of one stream at lags 1 to 8 is within its sampling error."""
    u = Stream(5).uniforms("x", 0, 200_000)
    for lag in range(1, 9):
        assert abs(np.corrcoef(u[:-lag], u[lag:])[0, 1]) < 4.5 / np.sqrt(200_000)


def test_raw_words_do_not_repeat_the_draws() -> None:
    """Words for scrambling come from counters that no draw uses."""
    stream = Stream(1)
    words = (stream.words("x", 1000) >> np.uint64(11)).astype(np.float64) * 2.0**-53
    assert not np.isin(words, stream.uniforms("x", 0, 100_000)).any()


@pytest.mark.parametrize(("start", "count", "replicate"), [(-1, 1, 0), (0, -1, 0), (0, 1, -1)])
def test_negative_addresses_are_refused(start: int, count: int, replicate: int) -> None:
    """A negative start, count or replicate is an error and says so."""
    with pytest.raises(ValueError, match="at least 0"):
        Stream(1).uniforms("x", start, count, replicate)


FIRST = [0.33219386457203126, 0.8528379561383237, 0.7628641345033437]
FAR = [0.4315532202718957, 0.7966161493709316]
REPLICATED = [0.42655858950544456, 0.45568286597751384]
