"""Moment-independent indices of a case against a closed form, with what SALib's estimator cannot resolve."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from pad_study import NONE, ONE_POINT, pad_case
from scipy.stats import norm

from margin.estimates.shares import MARGIN, moment_independent
from margin.estimates.shares.delta_index import _deltas

TOP = "error at 60 N"
SENSITIVITY = "sensor.sensitivity per unit"
SCATTER = "sensor.reload_scatter (each loading)"


def delta_of_a_normal_sum(share: float) -> float:
    """Delta of one normal term with this share of the variance of a sum of normal terms.

    Derived here: with the sum standardised and the term's standard score z, the density given z is that of a normal
    of mean sqrt(share) z and variance 1 - share; delta is half the mean over z of the area between both densities
    (definition of Borgonovo 2007, Reliability Engineering and System Safety 92, 771-784).
    """
    scores = norm.ppf((np.arange(400) + 0.5) / 400)
    values = np.linspace(-9.0, 9.0, 6001)
    given = norm.pdf(values, share**0.5 * scores[:, np.newaxis], (1.0 - share) ** 0.5)
    return float(np.trapezoid(np.abs(given - norm.pdf(values)), values, axis=1).mean() / 2.0)


@pytest.fixture(scope="module")
def found() -> pd.DataFrame:
    """Two normal relative errors of a product, standard deviations 1 % and 0.5 %."""
    case = pad_case(
        NONE,
        sensor={"sensitivity": "4 uS +/- 2 % (2 sigma)", "reload_scatter": "0.5 %"},
        load={"check": ["6 N", "60 N"]},
    )
    return moment_independent(case, "none", TOP, rows=1024, resamples=6, workers=1)


def test_deltas_of_a_normal_sum_meet_the_closed_form(found: pd.DataFrame) -> None:
    """The deltas of two causes with 4/5 and 1/5 of the variance are those of a sum of normals, within the interval
    and the bias that the documentation states; an input that is not connected reads near 0."""
    rows = found.set_index("group")
    for group, share in ((SENSITIVITY, 0.8), (SCATTER, 0.2)):
        row, expected = rows.loc[group], delta_of_a_normal_sum(share)
        assert row["delta_low"] - 0.03 <= expected <= row["delta_high"] + 0.04, dict(row)
        assert row["verdict"] == "resolved"
    assert rows["idle"].between(0.0, 0.06).all()


def test_of_many_draws_the_one_that_acts_is_found(found: pd.DataFrame) -> None:
    """Of the placements, an input each, the one at the load of the output is reported, with their number."""
    row = found.set_index("group").loc[SCATTER]
    assert (row["input"], row["inputs"]) == (f"{SCATTER} [2]", 2)


def test_a_cause_without_effect_is_below_resolution() -> None:
    """A cause that changes nothing reads as an input that is not connected, a large one does not; where the output
    does not vary there is no index, and the reason is said."""
    case = pad_case(
        NONE,
        ONE_POINT,
        sensor={"sensitivity": "4 uS +/- 2 % (2 sigma)"},
        circuit={"feedback": "60 kohm +/- 4 %"},
        station={"temperature": "20 degC to 30 degC"},
        load={"check": ["6 N", "60 N"]},
    )
    rows = moment_independent(case, None, MARGIN, rows=256, resamples=4, workers=1)
    bare = rows[rows["option"] == "none"].set_index("group")
    assert bare.loc["station.temperature per calibration", "verdict"] == "below resolution"
    assert bare.loc["circuit.feedback per unit", "verdict"] == "resolved"
    calibrated = rows[rows["option"] == "one-point"]
    assert set(calibrated["verdict"]) == {"undefined"}
    assert calibrated["delta"].isna().all()
    assert set(calibrated["reason"]) == {f"{MARGIN} is 1 in every unit: it has no density"}


def test_heavy_tails_do_not_hide_a_cause() -> None:
    """Delta depends on the ranks of an output alone: those of the normal sum come back where the outputs are their
    twentieth powers of e, whose variance a handful of units make."""
    stream = np.random.default_rng(3)
    drawn = stream.random((512, 2))
    plain = norm.ppf(drawn) @ np.array([0.8, 0.2]) ** 0.5
    again = stream.integers(512, size=(3, 512))
    for one, other in zip(
        _deltas(drawn, plain, again), _deltas(drawn, np.exp(20.0 * plain), again), strict=True
    ):
        np.testing.assert_allclose(one, other, rtol=1e-12)


def test_interval_is_as_wide_as_estimates_scatter() -> None:
    """Over repeats with other draws the standard deviation of the bootstrap is that of the estimates, within the
    factor that 24 repeats and 8 resamples leave open."""
    estimates = []
    for seed in range(24):
        stream = np.random.default_rng(seed)
        drawn = stream.random((256, 2))
        values = norm.ppf(drawn) @ np.array([0.5, 0.5]) ** 0.5
        estimates.append(np.ravel(_deltas(drawn[:, :1], values, stream.integers(256, size=(8, 256)))))
    value, deviation = np.array(estimates).T
    assert 0.6 < deviation.mean() / value.std(ddof=1) < 1.6


def test_indices_are_seeded() -> None:
    """The same case gives the same indices, without a change of numpy's global generator."""
    case = pad_case(NONE, sensor={"sensitivity": "4 uS +/- 1 %"}, circuit={"feedback": "60 kohm +/- 2 %"})
    before = np.random.get_state()[1]  # noqa: NPY002
    first, second = (
        moment_independent(case, "none", TOP, rows=256, resamples=2, workers=1) for _ in range(2)
    )
    pd.testing.assert_frame_equal(first, second)
    assert np.array_equal(np.random.get_state()[1], before)  # noqa: NPY002


def test_too_few_rows_and_resamples_are_refused() -> None:
    """Too few units for densities in bins, and one resample for an interval, are refused."""
    case = pad_case(NONE, sensor={"sensitivity": "4 uS +/- 1 %"})
    with pytest.raises(ValueError, match="rows must be at least 256"):
        moment_independent(case, rows=100)
    with pytest.raises(ValueError, match="resamples must be at least 2"):
        moment_independent(case, resamples=1)
