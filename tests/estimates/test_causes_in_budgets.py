"""Causes in the lines of shares and budgets: in use, at the calibration, and of the choice among conditions."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest
from pad_study import NONE, ONE_POINT, pad_case

from margin.case.types import Case
from margin.estimates.budget_causes import causes_of
from margin.estimates.labels import cause_of
from margin.estimates.shares.plan import SharesPlan
from margin.propagation.factors import factors_of
from margin.propagation.model import model_of


def labels_of_case(case: Case) -> Mapping[str, str]:
    """Cause by factor in the shares of a case."""
    return {one.labels.factor: one.labels.cause for one in SharesPlan.of(model_of(case)).labels}


def test_what_is_drawn_again_at_the_calibration_is_not_put_to_the_station() -> None:
    """Reload scatter, noise and a mounting of its own at the calibration keep their cause by name; the reference
    load cell, its placement and the temperature of the station are the station's."""
    case = pad_case(
        {**ONE_POINT, "stage": "sub-assembly"},
        sensor={"sensitivity": "4 uS +/- 2 % per mounting", "reload_scatter": "1 %"},
        converter={"bits": 16, "noise": 1},
        station={
            "reference_gain": "+/- 1 %",
            "reference_scatter": "0.1 N",
            "temperature": "20 degC to 26 degC",
        },
    )
    found = labels_of_case(case)
    assert {name: cause for name, cause in found.items() if "calibration" in f"{name} {cause}"} == {
        "sensor.sensitivity per mounting at calibration": "sensor spread at the calibration",
        "sensor.reload_scatter (each loading) at calibration": "reloading at the calibration",
        "converter.noise (each reading) at calibration": "noise at the calibration",
        "station.reference_gain per station": "calibration station",
        "station.reference_scatter (each loading)": "calibration station",
        "station.temperature per calibration": "calibration station",
    }
    assert found["sensor.reload_scatter (each loading)"] == "reloading"
    assert found["sensor.sensitivity per mounting"] == "sensor spread"


def test_what_varies_from_calibration_to_calibration_acts_there_alone() -> None:
    """A contact that is made anew for each calibration is mechanics at the calibration, in shares as in changes."""
    case = pad_case(
        ONE_POINT,
        interface={"kind": "load concentrator", "contact_gain": "1 +/- 2 %, +/- 1 % per calibration"},
    )
    expected = {
        "interface.contact_gain per mounting": "mechanics",
        "interface.contact_gain per calibration": "mechanics at the calibration",
        "use.direction (each loading)": "load history",
    }
    assert labels_of_case(case) == expected
    assert {f.name: cause_of(f) for f in factors_of(case)} == expected


def test_a_change_of_a_cause_acts_in_use_and_at_the_calibration() -> None:
    """The budget of changes has one line 'reloading' for both events, and one of the station."""
    case = pad_case(
        ONE_POINT,
        sensor={"reload_scatter": "1 %"},
        station={"reference_gain": "+/- 1 %"},
    )
    found = {line.name: line.keys for line in causes_of(factors_of(case), "cause")}
    assert found == {
        "reloading": ("sensor.reload_scatter (each loading)",),
        "calibration station": ("station.reference_gain per station",),
    }


@pytest.mark.parametrize(
    ("conditions", "cause"),
    [
        ([{"temperature": "5 degC"}, {"temperature": "45 degC"}], "temperature"),
        ([{"dwell": "1 s"}, {"dwell": "100 s"}], "creep"),
        ([{"direction": "up"}, {"direction": "down"}], "load history"),
        ([{"temperature": "5 degC"}, {"temperature": "45 degC", "humidity": "80 %RH"}], "use"),
        ([{"temperature": "5 degC"}, {"temperature": "45 degC", "direction": "down"}], "use"),
    ],
)
def test_the_choice_of_a_condition_has_the_cause_that_its_conditions_state(
    conditions: list[dict[str, Any]], cause: str
) -> None:
    """Conditions that state one kind of quantity alone differ by its cause; else their choice belongs to the use."""
    named = [{"name": f"number {place}", **each} for place, each in enumerate(conditions)]
    case = pad_case(NONE, sensor={"sensitivity": "4 uS +/- 1 %"}, use={"condition": named})
    assert labels_of_case(case)["use.condition (which)"] == cause
