"""Age of a prototype: what it has been through reaches its readings as in results over age."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

import margin
from distributions.errors import MarginError
from margin.case import Case
from margin.diagnosis.plan import Plan, Step
from margin.diagnosis.situation import as_designed
from margin.diagnosis.taken import take
from margin.service.ageing import at_age
from tests.pad_study import NONE, only, pad_case

AGE, LOAD = 4000.0, 20.0
K = 8.617333262e-5
"""Boltzmann's constant, eV/K (BIPM, SI brochure, 9th edition)."""


def aged_case(**changes: str) -> Case:
    """A pad without variation that ages by hours, cycles and hours under load, after storage. All values invented."""
    return pad_case(
        NONE,
        load={"check": [f"{LOAD:g} N"]},
        sensor={
            "kind": "thin film", "sensitivity": "4 uS", "reference_load": "20 N", "ageing": "1 %", "cycle_loss": "2 %",
            "sustained_creep": "0.5 %", "ageing_activation": "0.7 eV", **changes,
        },
        converter={"bits": 0},
        service={
            "cycles_per_day": 2400, "loads": ["15 N for 90 %", "60 N for 10 %"], "duty": "30 %",
            "temperatures": ["20 degC for 70 %", "60 degC for 30 %"], "storage": "2000 h at 35 degC",
        },
    )  # fmt: skip


def indicated(case: Case, age: float) -> float:
    """Mean of 500 drawn units at 20 N over the load."""
    steps = (Step(0.0), Step(LOAD))
    # instruments scatter by a tenth of a percent in each of 2000 readings: 2e-5 of the mean
    return float(take(as_designed(case), Plan(steps, 4, age=age), 500, 11).runs[..., 1].mean()) / LOAD


def rate(temperature: float) -> float:
    """Arrhenius from 25 degC at 0.7 eV, written out."""
    return math.exp(0.7 / K * (1.0 / 298.15 - 1.0 / (temperature + 273.15)))


@pytest.mark.parametrize("age", [0.0, AGE])
def test_service_and_storage_reach_the_readings(age: float) -> None:
    """By the product of the effects written out, and as the chain of results over age has them."""
    found = indicated(aged_case(), age)
    hours = 2000.0 * rate(35.0) + age * (0.7 * rate(20.0) + 0.3 * rate(60.0))
    cycles = 100.0 * age * (0.9 * 0.25 + 0.1)
    by_hand = (
        (1.0 - 0.01 * math.log10(1.0 + hours))
        * (1.0 - 0.02 * math.log10(1.0 + cycles))
        * (1.0 + 0.005 * math.log10(1.0 + 0.3 * age))
    )
    assert found == pytest.approx(by_hand, abs=1e-4)
    over_age = 1.0 + float(np.unique(only(at_age(aged_case(), age), 2))[0]) / LOAD
    assert found == pytest.approx(over_age, abs=1e-4)


def readings(share: float) -> pd.DataFrame:
    """Three runs of a prototype that reports a share of what is applied."""
    rows = [
        {"sensor": "P", "run": r, "branch": "up", "load_N": load, "temperature_degC": 25.0,
         "output": share * load * (1.0 + 0.001 * (r - 1)), "output_unit": "N"}
        for r in range(3)
        for load in (0.0, 6.0, 20.0, 40.0, 60.0)
    ]  # fmt: skip
    return pd.DataFrame(rows)


def test_an_aged_prototype_is_ordinary_at_its_age_alone() -> None:
    """What service has taken off is unusual of a new unit and expected of one of that age; page text, JSON and the
    printed command say the age, as a text or a number of hours alike."""
    case = aged_case(sensitivity="4 uS +/- 3 % (2 sigma)", reload_scatter="0.1 %")
    data = readings(indicated(case, AGE))
    fresh = margin.diagnose(data, case, units=1500, causes=False)
    aged = margin.diagnose(data, case, units=1500, causes=False, age="4000 h")
    assert "sensitivity" in fresh.unusual and aged.nothing_unusual
    assert "Age of the prototype: 4000 h" in " ".join(str(aged).split())
    assert aged.command.endswith("--age '4000 h'") and "--age" not in fresh.command
    assert margin.diagnose(data, case, units=1500, causes=False, age=AGE).figures.equals(aged.figures)


@pytest.mark.parametrize(
    ("age", "message"),
    [
        ("5 N", "age '5 N': \"N\" is a unit of force, time is needed"),
        (-3.0, "the age is -3 h; state 0 or more"),
        (math.nan, "the age is nan h"),
    ],
)
def test_an_age_that_is_none_is_refused(age: float | str, message: str) -> None:
    """One message says why and what to write."""
    with pytest.raises(MarginError, match=message) as error:
        margin.diagnose(readings(1.0), aged_case(), units=1500, causes=False, age=age)
    assert "\n" not in str(error.value)


def test_measured_units_have_no_age() -> None:
    """An age is that of units of a case; with a bench as baseline it is refused."""
    with pytest.raises(MarginError, match="an age is that of units of a case"):
        margin.diagnose(readings(1.0), baseline=readings(1.0), age="1000 h")
