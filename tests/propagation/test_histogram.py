"""Counts of errors over decades: bins, percentiles, moments, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pad_study import NONE, ONE_POINT, pad_case, without_output_beyond

from margin.backends.run import run
from margin.propagation.histogram import Bins, mean_and_sd, quantile
from margin.propagation.plan import plan_of
from margin.propagation.tally import EvaluationError, judge, permissible_error, require_numbers

BINS = Bins(58.0)
DRAWS = np.random.default_rng(7)
SHAPES = {
    "normal": DRAWS.normal(0, 1, 40_000),
    "shifted": DRAWS.normal(-3, 0.5, 40_000),
    "lognormal over decades": np.exp(DRAWS.normal(-3, 2, 40_000)),
    "both signs over decades": np.exp(DRAWS.normal(-4, 2, 40_000)) * DRAWS.choice([-1, 1], 40_000),
    "rectangular": DRAWS.uniform(-2, 5, 40_000),
    "tiny": DRAWS.normal(0, 2e-4, 40_000),
}


@given(st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=50))
@settings(max_examples=100, deadline=None)
def test_every_value_lies_in_its_bin(values: list[float]) -> None:
    """The bin of a value encloses it, up to the ends, where everything beyond is gathered."""
    found, edges = BINS.index(np.array(values)), BINS.edges()
    assert edges.size == BINS.size + 1
    assert np.all(np.diff(edges) > 0)
    for value, index in zip(values, found, strict=True):
        assert 0 <= index < BINS.size
        assert index == 0 or edges[index] <= value
        assert index == BINS.size - 1 or value <= edges[index + 1]


@given(st.lists(st.floats(-100, 100), min_size=2, max_size=50))
@settings(max_examples=50, deadline=None)
def test_bins_keep_the_order(values: list[float]) -> None:
    """Larger values never go to lower bins."""
    assert np.all(np.diff(BINS.index(np.sort(np.array(values)))) >= 0)


def test_signs_mirror() -> None:
    """A value and its negative lie mirrored about the bin of zero."""
    values = np.geomspace(1e-4, 1e3, 200)
    assert np.array_equal(BINS.index(values) + BINS.index(-values), np.full(200, 2 * BINS.half))
    assert BINS.index(np.zeros(1))[0] == BINS.half


@pytest.mark.parametrize("name", SHAPES)
def test_percentiles_agree_with_numpy(name: str) -> None:
    """Percentiles lie within 1 % of numpy's, from 0.5 % to 99.5 %."""
    values = SHAPES[name]
    q = np.array([0.005, 0.025, 0.05, 0.3, 0.7, 0.95, 0.975, 0.995])
    counts = np.bincount(BINS.index(values), minlength=BINS.size)
    found = quantile(counts[None], BINS, q, values.min()[None], values.max()[None])[0]
    expected = np.quantile(values, q)
    # a percentile next to zero is held against the spread: its own size means nothing
    assert np.all(np.abs(found - expected) <= 0.01 * np.abs(expected) + 1e-3 * values.std())


@pytest.mark.parametrize("name", SHAPES)
def test_moments_agree_with_numpy(name: str) -> None:
    """Mean and standard deviation from the bins agree with numpy's."""
    values = SHAPES[name]
    counts = np.bincount(BINS.index(values), minlength=BINS.size)
    mean, sd = mean_and_sd(counts, BINS, values.min(), values.max())
    assert mean == pytest.approx(values.mean(), abs=1e-3 * values.std(), rel=1e-3)
    assert sd == pytest.approx(values.std(), rel=2e-3)


@given(st.lists(st.floats(-1e4, 1e4), min_size=1, max_size=6))
@settings(max_examples=100, deadline=None)
def test_the_mean_lies_between_the_extremes(values: list[float]) -> None:
    """Few values in few bins, or beyond all bins: the mean lies inside, the spread is at most half the range."""
    seen = np.array(values)
    counts = np.bincount(BINS.index(seen), minlength=BINS.size)
    mean, sd = mean_and_sd(counts, BINS, seen.min(), seen.max())
    assert seen.min() <= mean <= seen.max()
    assert sd <= 0.5 * np.ptp(seen) * (1.0 + 1e-9)


def test_equal_values_are_their_own_mean() -> None:
    """One value, drawn many times in one load of two: exact mean and no spread, whatever its bin."""
    seen = np.array([[0.6901, 0.6901], [-3.0, 5.0]])
    counts = np.stack([np.bincount(BINS.index(each), minlength=BINS.size) for each in seen])
    mean, sd = mean_and_sd(counts, BINS, seen.min(axis=1), seen.max(axis=1))
    assert (mean[0], sd[0]) == (0.6901, 0.0)
    assert sd[1] == pytest.approx(4.0, rel=0.01)


def test_percentiles_stay_inside_what_was_seen() -> None:
    """No percentile lies beyond the smallest or largest value, and one value is its own percentile."""
    counts = np.bincount(BINS.index(np.array([1.234])), minlength=BINS.size)
    found = quantile(counts[None], BINS, np.array([0.0, 0.5, 1.0]), np.array([1.234]), np.array([1.234]))
    assert found.ravel() == pytest.approx([1.234] * 3)


def test_an_empty_count_is_refused() -> None:
    """A percentile of nothing is an error, not a number."""
    with pytest.raises(ValueError, match="at least one value"):
        quantile(np.zeros((1, BINS.size), dtype=np.int64), BINS, np.array([0.5]), np.zeros(1), np.zeros(1))


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_what_is_no_number_is_refused(bad: float) -> None:
    """An error that is not a number stops the study and names option, unit, load and condition."""
    frame = plan_of(pad_case(NONE)).frame
    errors = np.zeros((4, 1, 1, 1, 7))
    errors[2, 0, 0, 0, 6] = bad
    with pytest.raises(
        EvaluationError, match=r"'two-point'.* 1 force errors .*unit 102 at 60 N in condition 'use'"
    ):
        require_numbers("two-point", frame, [errors], 100)


@pytest.mark.parametrize(
    ("calibration", "message"), [(NONE, "'none'.* at 60 N"), (ONE_POINT, "calibration of")]
)
def test_a_chain_that_gives_no_number_stops_the_run(calibration: dict, message: str) -> None:
    """A run over a sensor whose output is not a number for some units raises; they are not counted as units
    that fail, neither in use nor at the calibration."""
    case = pad_case(calibration, sensor={"sensitivity": "4 uS +/- 5 %"})
    case = without_output_beyond(case, 12.2e-6 if calibration is NONE else 6.1e-6)
    with pytest.raises(EvaluationError, match=message):
        run(case, workers=2)


@pytest.mark.parametrize(("combine", "expected"), [("larger", [1.0, 1.0, 3.6]), ("sum", [1.62, 2.5, 5.1])])
def test_permissible_error_by_hand(combine: str, expected: list[float]) -> None:
    """6 % of reading, 1 N and 0.5 N of span (0.86 %), the larger or the sum of them, by hand."""
    case = pad_case(
        NONE, requirement={"permissible_error": f"{combine} of 6 % of reading and 1 N and 1 % of span"}
    )
    limit = permissible_error(case.requirement, np.array([2.0, 16.6666666667, 60.0]), 50.0)
    assert limit == pytest.approx(expected, abs=1e-9)


def test_judging_by_hand() -> None:
    """Three units of two placements at seven loads: none out, one reading out, all out."""
    case = pad_case(NONE, requirement={"permissible_error": "1 N", "share": "90 %"}, use={"loadings": 2})
    errors = np.zeros((3, 1, 2, 1, 7))
    errors[1, 0, 1, 0, 4] = -1.5
    errors[2] = 4.0
    found = judge(plan_of(case).frame, [errors])
    assert found.largest == pytest.approx([0.0, 1.5, 4.0])
    assert found.within.tolist() == [14, 13, 0]
    assert found.by_share.tolist() == [True, True, False]
    assert found.everywhere.tolist() == [True, False, False]
    assert found.halves.tolist() == [[True, True, False], [True, False, False]]


def test_an_error_at_the_limit_is_within() -> None:
    """An error equal to the permissible one conforms (JCGM 106: the tolerance interval holds its limits)."""
    frame = plan_of(pad_case(NONE, requirement={"permissible_error": "1 N"})).frame
    assert judge(frame, [np.full((1, 1, 1, 1, 7), -1.0)]).everywhere.all()
