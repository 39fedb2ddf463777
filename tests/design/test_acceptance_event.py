"""Draws of the acceptance test: an event of its own, of the same unit, at the same or another station."""

from __future__ import annotations

import numpy as np
import pytest
from accept_cases import LOAD, PERMISSIBLE, line
from pad_study import (
    EVERY_LEVEL,
    EVERY_SPREAD,
    NONE,
    ONE_POINT,
    factor_of,
    pad_case,
    station_event,
    without_output_beyond,
)

from margin.case import Case
from margin.design.acceptance.evaluate import acceptance
from margin.design.acceptance.station_test import StationTest, UnitsAtTest, units_at_test
from margin.errors import EvaluationError
from margin.propagation.model import model_of
from margin.propagation.plan import plan_of
from margin.propagation.readings import use_event


def at_test(case: Case, test: StationTest) -> UnitsAtTest:
    plan = plan_of(case)
    return units_at_test(model_of(case), plan.frame, test, 0, plan.frame.units)


def test_nothing_of_a_loading_or_reading_is_shared() -> None:
    """Draws of level loading, reading and calibration are those of the test alone; what belongs to unit, lot, study and
    station is the same at calibration, test and use."""
    case = pad_case(ONE_POINT, **EVERY_SPREAD)
    model, plan = model_of(case), plan_of(case)
    source = model.source(plan.frame.grouping, 0, plan.frame.units)
    test, calibration = StationTest((30.0,)).event, station_event(case, 1)
    seen = set()
    for factor in model.factors:
        if factor.role == "use":
            continue
        seen.add(factor.level)
        drawn_at_test = np.ravel(source.deviation(factor, test))
        if factor.level == "calibration":
            at_calibration = np.ravel(source.deviation(factor, calibration))
            assert abs(np.corrcoef(drawn_at_test, at_calibration)[0, 1]) < 0.3, factor.name
            continue
        for other in (calibration, use_event(case, None)):
            drawn = np.asarray(source.deviation(factor, other))[:, 0, 0, 0, 0]
            if factor.level in ("loading", "reading"):
                assert abs(np.corrcoef(drawn_at_test, drawn)[0, 1]) < 0.3, factor.name
            else:
                assert np.array_equal(drawn_at_test, drawn), factor.name
    assert {"lot", "unit", "loading", "reading", "calibration"} <= seen


def test_the_error_seen_is_that_of_the_equations() -> None:
    """A linear unit with gain d, loaded until a reference with gain g and scatter s indicates F, carries
    (F - s) / (1 + g) and reads 1 + d times that; the station sees the difference to F, the true error that to the
    load."""
    case = line(3, 500, 0.2, study={"outer": 5})
    model, plan = model_of(case), plan_of(case)
    units = plan.frame.units
    test = StationTest((LOAD,), reloads=2)
    source = model.source(plan.frame.grouping, 0, units)
    d = np.ravel(source.deviation(factor_of(case, "sensor.sensitivity"), test.event))[:, np.newaxis]
    g = np.ravel(source.deviation(factor_of(case, "station.reference_gain"), test.event))[:, np.newaxis]
    z = np.asarray(source.deviation(factor_of(case, "station.reference_scatter"), test.event))[:, 0, :, 0, 0]
    load = (LOAD - 0.125 * PERMISSIBLE * z) / (1.0 + g)
    found = at_test(case, test)
    assert found.seen[:, 0] == pytest.approx(((1.0 + d) * load - LOAD).mean(axis=1), abs=1e-9)
    assert found.true[:, 0] == pytest.approx((d * load).mean(axis=1), abs=1e-9)


def test_the_station_that_calibrates_does_not_see_its_own_error() -> None:
    """A gain error of the reference goes into the calibration: the same station finds the units right, another one
    finds the difference of both; the true error is the same."""
    case = pad_case(
        ONE_POINT, load={"check": ["30 N"]}, station={"reference_gain": "0 % +/- 2 % (2 sigma)"},
        study={"units": 320, "outer": 10},
    )  # fmt: skip
    same, other = (at_test(case, StationTest((30.0,), station=station)) for station in ("same", "other"))
    gains = -same.true[:, 0] / 30.0
    assert np.abs(same.seen).max() < 1e-9
    assert np.std(gains) == pytest.approx(0.01, rel=0.6)
    assert same.used.largest == pytest.approx(other.used.largest)
    assert np.std(other.seen) == pytest.approx(np.sqrt(2.0) * 0.3, rel=0.6)
    assert len(np.unique(np.round(other.seen, 9))) == 10


def test_reloads_average_what_differs_between_placements() -> None:
    """Scatter of the reference in the mean of four placements is half of that in one."""
    case = line(2, 4000)
    one, four = (at_test(case, StationTest((LOAD,), reloads=count)) for count in (1, 4))
    spread = [float(np.std(each.seen - each.true)) for each in (one, four)]
    assert spread[1] / spread[0] == pytest.approx(0.5, rel=0.06)


def test_a_further_test_load_leaves_the_others_as_they_are() -> None:
    """Errors at a load do not depend on which other loads are tested."""
    case = pad_case(ONE_POINT, **EVERY_LEVEL, study={"units": 100, "outer": 1})
    few, many = at_test(case, StationTest((20.0,))), at_test(case, StationTest((10.0, 20.0, 50.0)))
    assert np.array_equal(few.seen[:, 0], many.seen[:, 1])


def test_errors_that_are_no_numbers_are_refused() -> None:
    """A chain without a finite output at the test names unit, load and option."""
    case = without_output_beyond(pad_case(NONE, sensor={"sensitivity": "4 uS +/- 30 %"}), 9e-6)
    with pytest.raises(
        EvaluationError, match=r"acceptance test of 'none': \d+ errors are not numbers; .* at 60 N"
    ):
        acceptance(case, "none", loads=(60.0,), workers=1)
