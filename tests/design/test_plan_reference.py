"""The reference of a calibration plan: expanded uncertainty, test uncertainty ratio, largest that passes."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pad_study import NONE, ONE_POINT, option_named, pad_case
from scipy.optimize import brentq
from scipy.stats import norm

from distributions.errors import InvalidArgument
from margin.case import Case
from margin.design.calibration_plan.candidates import Candidate
from margin.design.calibration_plan.promise import promised
from margin.design.calibration_plan.reference import (
    crossing,
    expanded_uncertainty,
    reference_need,
    uncertainty_table,
    with_reference,
)
from margin.design.calibration_plan.result import Plan
from margin.estimates.yield_result import Estimate

STATION = {
    "reference_gain": "0 % +/- 0.6 % (2 sigma)", "reference_offset": "0.02 N", "reference_scatter": "0.05 N",
}  # fmt: skip
ONE = Estimate(0.9, 0.8, 1.0)


def plan_of(case: Case, name: str) -> Plan:
    """An option of the case as a plan, with made-up yields."""
    spec = option_named(case, name)
    return Plan(spec, 1.0, False, 30.0, ONE, ONE, "undecided", 100)


def test_the_ratio_is_permissible_error_over_expanded_uncertainty() -> None:
    """Worked by hand for 30 N: u_gain = 0.3 % of 30 N = 0.09 N, offset 0.02 N, scatter 0.05 N, U = 2 x 0.10488 N; limit
    6 % of reading 1.8 N: ratio 8.581. The tolerance over 4 u is the same (JCGM 106, 7.6.3, from memory). Three
    placements average the scatter alone."""
    case = pad_case({**ONE_POINT, "reloads": 3}, station=STATION)
    table = uncertainty_table(case, plan_of(case, "one-point")).set_index("load_N")
    row = table.iloc[0]
    u = math.sqrt(0.09**2 + 0.02**2 + 0.05**2)
    assert row["at"] == "plan" and table.index[0] == 30.0
    assert row["expanded_N"] == pytest.approx(2.0 * u)
    assert row["ratio"] == pytest.approx(1.8 / (2.0 * u)) == pytest.approx(8.581, abs=5e-4)
    assert row["ratio"] == pytest.approx((2.0 * 1.8) / (4.0 * u))
    averaged = math.sqrt(0.09**2 + 0.02**2 + 0.05**2 / 3.0)
    assert row["expanded_averaged_N"] == pytest.approx(2.0 * averaged)
    assert row["ratio_averaged"] == pytest.approx(1.8 / (2.0 * averaged))
    assert list(table.index[1:]) == list(case.check_loads)


@given(st.just(0.0) | st.floats(0.01, 8.0))
def test_the_uncertainty_is_multiplied_as_a_whole(multiple: float) -> None:
    """Every error of the reference multiplied by m: its expanded uncertainty is m times as large, at every load."""
    case = pad_case(ONE_POINT, station=STATION)
    loads = np.array([2.0, 30.0, 60.0])
    found = expanded_uncertainty(with_reference(case, multiple), loads)
    np.testing.assert_allclose(found, multiple * expanded_uncertainty(case, loads), rtol=1e-12)


def test_an_unloaded_unit_needs_no_reference() -> None:
    """At 0 N nothing is applied, and nothing is uncertain."""
    case = pad_case(ONE_POINT, station=STATION)
    assert expanded_uncertainty(case, np.array([0.0]))[0] == 0.0


@given(st.floats(0.3, 3.9), st.floats(0.1, 5.0))
def test_a_crossing_of_a_straight_line_is_exact(root: float, slope: float) -> None:
    """Between points of the grid a straight line is found back; one that stays above gives infinity, below 0."""
    grid = (0.0, 0.25, 1.0, 2.0, 4.0)
    assert crossing(grid, lambda m: slope * (root - m)) == pytest.approx(root)
    assert crossing(grid, lambda m: 1.0) == math.inf
    assert crossing(grid, lambda m: -1.0) == 0.0


def gain_only(required: str, gain: str, **study: Any) -> Case:
    """A linear pad of one load whose placements scatter by 1 %, calibrated by a reference with a gain error alone."""
    return pad_case(
        {**ONE_POINT, "reloads": 100},
        load={"check": ["30 N"]},
        requirement={"permissible_error": "3 % of reading", "yield": required},
        sensor={"reload_scatter": "1 %"},
        station={"reference_gain": gain},
        study={"units": 40_000, "outer": None, "draw": "all units", **study},
    )


def test_the_largest_uncertainty_of_a_gain_is_that_of_the_closed_form() -> None:
    """A unit conforms with the probability Phi((p - g) / s) - Phi((-p - g) / s), g the gain error of the reference,
    normal with u, s^2 = 0.01^2 (1 + 1/100): it falls with |g|, so that its 5 % point over stations is that at
    |g| = 1.96 u. The largest u at which this is the required yield lies in the interval found."""
    p, s, stated, required = 0.03, 0.01 * math.sqrt(1.01), 0.005, 0.9
    quantile = norm.ppf(0.975)

    def above(u: float) -> float:
        g = quantile * u
        return float(norm.cdf((p - g) / s) - norm.cdf((-p - g) / s)) - required

    exact = brentq(above, 1e-4, 0.05) / stated
    case = gain_only("90 %", "0 +/- 1 % (2 sigma)")
    (plan,) = promised(case, [Candidate(case.calibrations[0], 1.0)], units=40_000, workers=1)
    need = reference_need(case, plan, 0.95, workers=1)
    assert need.largest is not None and need.least_ratio is not None
    assert 1.5 < exact < 2.0
    assert need.largest.low <= exact <= need.largest.high
    assert need.largest.high - need.largest.low < 0.8
    ratio = 0.03 * 30.0 / (2.0 * stated * 30.0)
    assert need.least_ratio.value == pytest.approx(ratio / need.largest.value)
    assert need.least_ratio.low <= need.least_ratio.value <= need.least_ratio.high
    stated_row = need.curve[need.curve["multiple"] == 1.0].iloc[0]
    assert stated_row["lower_bound_low"] <= above(stated) + required <= stated_row["lower_bound_high"]


def test_a_reference_that_cannot_be_good_or_bad_enough_has_no_limit() -> None:
    """Where the yield is missed with a perfect reference there is no largest multiple; where the largest one tried
    does no harm, it is infinite."""
    few = {"units": 3000}
    case = gain_only("99.9 %", "0 +/- 1 % (2 sigma)", **few)
    assert reference_need(case, plan_of(case, "one-point"), 0.95, workers=1).largest is None
    case = gain_only("50 %", "0 +/- 0.01 % (2 sigma)", **few)
    found = reference_need(case, plan_of(case, "one-point"), 0.95, workers=1)
    assert found.largest is not None and math.isinf(found.largest.value)


def test_a_plan_without_loads_or_a_perfect_reference_asks_nothing() -> None:
    """Nothing is drawn where there is nothing to vary."""
    case = pad_case(NONE, ONE_POINT)
    for name in ("none", "one-point"):
        found = reference_need(case, plan_of(case, name), 0.95)
        assert found.largest is None and found.curve.empty


def test_a_reference_that_shares_its_deviation_is_refused() -> None:
    """A reference that moves with another quantity cannot be varied alone."""
    case = pad_case(ONE_POINT, station=STATION)
    station = case.elements["station"]
    gain = dataclasses.replace(station.quantities["reference_gain"], shared_with="circuit.reference")
    changed = dataclasses.replace(station, quantities={**station.quantities, "reference_gain": gain})
    shared = dataclasses.replace(case, elements={**case.elements, "station": changed})
    with pytest.raises(
        InvalidArgument, match=r"station\.reference_gain shares its deviation.*state its tolerance"
    ):
        with_reference(shared, 2.0)
