"""Yields, percentiles and the limit curve from counts made by hand."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from pad_study import NONE, ONE_POINT, pad_case
from scipy import stats

from margin.backends.run import run
from margin.estimates.errors import errors_frame, filled_sections, largest_ratio, magnitudes
from margin.estimates.evaluate import evaluate
from margin.estimates.intervals import clopper_pearson
from margin.estimates.yields import COUNTS, readings_bias, share_below, yields_of
from margin.propagation.histogram import Bins
from margin.propagation.plan import plan_of
from margin.propagation.tally import SECTIONS, Frame, Tally, judge, tally_block


def counted(frame: Frame, errors: np.ndarray) -> Tally:
    """Tally of errors made by hand, one block a section."""
    tally = Tally.empty(frame)
    bounds = np.linspace(0, errors.shape[0], SECTIONS + 1).astype(int)
    for section, (low, high) in enumerate(pairwise(bounds)):
        part = [errors[low:high]]
        tally_block(frame, part, judge(frame, part), int(low), section).add_to(tally)
    return tally


def frame_of(**study: int) -> Frame:
    """100 units read 2 times at 7 loads, permissible error 1 N."""
    return plan_of(
        pad_case(
            NONE,
            requirement={"permissible_error": "1 N", "share": "90 %"},
            use={"loadings": 2},
            study={"units": 100, "points": "random", **study},
        )
    ).frame


def test_three_yields_by_hand() -> None:
    """Of 100 units 90 are within everywhere, 6 fail one reading of 14, 4 fail all: readings 95.57 %, units by
    90 % of their readings 96 %, units everywhere 90 %."""
    errors = np.zeros((100, 1, 2, 1, 7))
    errors[::17, 0, 1, 0, 2] = 1.7
    errors[[5, 25, 45, 65]] = -3.0
    frame = frame_of()
    found = yields_of(frame, counted(frame, errors), 0.95)
    assert list(found) == list(COUNTS)
    values = [found[name].sampled.value for name in COUNTS]
    assert values == pytest.approx([1 - (6 + 4 * 14) / 1400, 0.96, 0.90])
    everywhere = found["units at every check point"].sampled
    assert (everywhere.low, everywhere.high) == pytest.approx(clopper_pearson(90, 100))
    for each in found.values():
        assert each.sampled.low <= each.sampled.value <= each.sampled.high
        assert each.knowledge is None and each.lots is None
        assert each.bound.value == each.sampled.value and each.bound.high == each.sampled.high
        assert each.bound.low < each.sampled.low


def test_readings_of_one_unit_are_not_independent() -> None:
    """Where units pass or fail as a whole, 1400 readings tell no more of the yield than 100 units do."""
    errors = np.zeros((100, 1, 2, 1, 7))
    errors[:90:9] = 5.0
    frame = frame_of()
    found = yields_of(frame, counted(frame, errors), 0.95)
    low, high = clopper_pearson(90, 100)
    readings = found["readings"].sampled
    assert readings.value == pytest.approx(0.9)
    assert readings.low == pytest.approx(low, abs=0.003)
    assert readings.high == pytest.approx(high, abs=0.003)


def test_more_readings_find_more_faults() -> None:
    """Half of the readings of a unit judge it more kindly: the difference is the bias from finite
    readings."""
    errors = np.zeros((100, 1, 2, 1, 7))
    errors[:10, 0, 0, 0, 3] = 2.0
    errors[5:25, 0, 1, 0, 3] = 2.0
    frame = frame_of()
    assert readings_bias(frame, counted(frame, errors)) == pytest.approx((0.9 + 0.8) / 2 - 0.75)


def test_share_below_multiples_of_the_limit() -> None:
    """The limit curve is the share of units whose largest error stays below a multiple of the limit."""
    errors = np.zeros((100, 1, 2, 1, 7))
    errors[:, 0, 0, 0, 0] = np.linspace(0.005, 1.995, 100)
    frame = frame_of()
    tally = counted(frame, errors)
    multiples = np.array([0.25, 0.5, 1.0, 1.5, 4.0])
    assert share_below(tally, multiples) == pytest.approx([0.125, 0.25, 0.5, 0.75, 1.0], abs=0.01)
    assert largest_ratio(frame, tally, 0.9, 0.95).value == pytest.approx(1.79, rel=0.02)


def test_limit_curve_meets_the_yield() -> None:
    """At the permissible error itself the limit curve is the yield 'at every check point', and it never
    falls."""
    case = pad_case(ONE_POINT, sensor={"reload_scatter": "2 %"}, use={"loadings": 2})
    found = evaluate(case, workers=1, with_budget=False).options[0]
    curve = found.limit_curve.set_index("multiple")
    at_one = curve.index[np.argmin(np.abs(curve.index - 1.0))]
    assert at_one == 1.0
    assert curve.loc[1.0, "yield"] == pytest.approx(found.decisive_yield.sampled.value, abs=1e-9)
    assert curve["yield"].is_monotonic_increasing
    assert (curve["yield_low"] <= curve["yield"]).all() and (curve["yield"] <= curve["yield_high"]).all()


def test_knowledge_interval_of_a_station() -> None:
    """A station whose reference errs moves the yield of everything it calibrates: 5 % and 95 % points over
    outer draws equal the closed form for a normal scatter about a shifted gain."""
    case = pad_case(
        {**ONE_POINT, "reloads": 100},
        load={"check": ["60 N"]},
        sensor={"reload_scatter": "3 %"},
        station={"reference_gain": "+/- 4 %"},
        study={"units": 40_000, "outer": 200},
    )
    result = run(case, workers=2)
    found = yields_of(result.plan.frame, result.tallies["one-point"], 0.95)["units at every check point"]
    shift = stats.uniform(-0.04, 0.08).rvs(20_000, random_state=1)
    sd = 0.03 * np.sqrt(1.01)
    exact = stats.norm.cdf((0.06 - shift) / sd) - stats.norm.cdf((-0.06 - shift) / sd)
    assert found.knowledge == pytest.approx(np.quantile(exact, [0.05, 0.95]), abs=0.03)
    assert found.sampled.value == pytest.approx(exact.mean(), abs=0.02)
    assert found.lower_bound == min(found.sampled.low, found.knowledge[0])


def test_yield_of_lots() -> None:
    """Lots that differ have yields that differ: 5 % and 95 % points near those of the closed form, of which the upper
    one is cut short at the yield of a lot without error, as a beta distribution is not."""
    case = pad_case(
        NONE,
        load={"check": ["60 N"]},
        sensor={"sensitivity": "4 uS +/- 6 % (2 sigma) per unit, +/- 3 % (2 sigma) per lot"},
        study={"units": 40_000, "units_per_lot": 100},
    )
    result = run(case, workers=2)
    found = yields_of(result.plan.frame, result.tallies["none"], 0.95)["units at every check point"]
    shift = 0.015 * stats.norm.ppf((np.arange(2000) + 0.5) / 2000)
    exact = stats.norm.cdf((0.06 - shift) / 0.03) - stats.norm.cdf((-0.06 - shift) / 0.03)
    assert found.lots == pytest.approx(np.quantile(exact, [0.05, 0.95]), abs=0.03)
    assert found.sampled.low < exact.mean() < found.sampled.high


def test_error_frame_agrees_with_numpy() -> None:
    """Percentiles, mean and standard deviation of the frame agree with those of the errors themselves."""
    errors = np.random.default_rng(8).normal(0.3, 1.0, (4000, 1, 2, 1, 7)) * np.linspace(0.1, 2, 7)
    frame = frame_of(units=4000)
    found = errors_frame(frame, counted(frame, errors), 0.95)
    at_load = errors.reshape(-1, 7)
    assert found["mean_N"].to_numpy() == pytest.approx(at_load.mean(axis=0), rel=0.01)
    assert found["sd_N"].to_numpy() == pytest.approx(at_load.std(axis=0), rel=0.005)
    assert found["smallest_N"].to_numpy() == pytest.approx(at_load.min(axis=0))
    for name, q in (("p2_5", 0.025), ("p50", 0.5), ("p97_5", 0.975)):
        exact = np.quantile(at_load, q, axis=0)
        assert found[f"{name}_N"].to_numpy() == pytest.approx(exact, rel=0.01)
        assert (found[f"{name}_N_low"] < exact).all() and (exact < found[f"{name}_N_high"]).all()
    sized = np.quantile(np.abs(at_load), 0.95, axis=0)
    assert found["p95_abs_N"].to_numpy() == pytest.approx(sized, rel=0.01)
    assert found["p95_abs_span"].to_numpy() == pytest.approx(100 * sized / 58, rel=0.01)


def test_named_conditions_are_shown_apart_and_together() -> None:
    """Each condition of use has its rows, and 'all' pools them."""
    case = pad_case(
        ONE_POINT,
        sensor={"temperature_coefficient": "0.1 %/K"},
        use={
            "condition": [
                {"name": "cold", "temperature": "5 degC"},
                {"name": "warm", "temperature": "35 degC"},
            ]
        },
    )
    found = evaluate(case, workers=1, with_budget=False).options[0].errors.set_index(["condition", "load_N"])
    assert list(found.index.get_level_values(0).unique()) == ["all", "cold", "warm"]
    assert found.loc[("cold", 60.0), "mean_N"] == pytest.approx(-1.2, rel=0.01)
    assert found.loc[("warm", 60.0), "mean_N"] == pytest.approx(0.6, rel=0.01)
    assert found.loc[("all", 60.0), "mean_N"] == pytest.approx(-0.3, rel=0.02)
    assert found.loc[("all", 60.0), "smallest_N"] == pytest.approx(-1.2, rel=1e-9)


def test_magnitudes_fold_the_signs() -> None:
    """Counts of a value and of its negative go to one magnitude; nothing is lost."""
    bins = Bins(1.0)
    values = np.array([-2.0, 2.0, 0.0, -0.25, 3.0])
    counts = np.bincount(bins.index(values), minlength=bins.size)
    folded = magnitudes(counts, bins)
    assert np.array_equal(folded, np.bincount(bins.index(np.abs(values)), minlength=bins.size))


def test_empty_sections_are_left_out() -> None:
    """Sections without a unit take no part in an interval."""
    counts = np.zeros((10, 2, 5), dtype=np.int64)
    counts[[1, 4]] = 3
    assert filled_sections(counts).shape == (2, 2, 5)
