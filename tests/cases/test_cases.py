"""The shipped cases: each opens, runs, and finds what its README says."""

from __future__ import annotations

import importlib.util
import json
import tomllib
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

import jsonschema
import numpy as np
import pandas as pd
import pytest

from margin.case import Case, load_case, read_case
from margin.case.schema import SHIPPED
from margin.estimates.budget import budget_of
from margin.estimates.evaluate import evaluate
from margin.estimates.results import Results
from margin.propagation.model import model_of

CASES = Path(__file__).parents[2] / "cases"
NAMES = sorted(path.parent.name for path in CASES.glob("*/case.toml"))
GRIPPERS = ("gripper_amplifier", "gripper_divider")
TWO_POINTS = "two points, 2 reloads, thermometer"
FEW = 1000


def raw(name: str) -> dict[str, Any]:
    """The tables as they stand in the file."""
    return tomllib.loads((CASES / name / "case.toml").read_text(encoding="utf-8"))


def read_changed(name: str, tables: dict[str, Any]) -> Case:
    """Changed tables of a case, read where its file lies."""
    return read_case(tables, CASES / name / "case.toml")


@cache
def as_shipped(name: str) -> Results:
    """Results at the shipped seed and number of units, without the budget."""
    return evaluate(load_case(CASES / name / "case.toml"), with_budget=False)


def bounds(results: Results) -> dict[str, float]:
    """Lower bound on the decisive yield of each option."""
    return {option.name: option.decisive_yield.lower_bound for option in results.options}


def script(name: str, file: str) -> ModuleType:
    """A script of a case, imported from its file."""
    spec = importlib.util.spec_from_file_location(f"{name}_{Path(file).stem}", CASES / name / file)
    if spec is None or spec.loader is None:
        raise ImportError(f"{name}/{file} cannot be imported")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_all_cases_are_found() -> None:
    """The three shipped cases are there, each with a README that says where its data are from."""
    assert {*GRIPPERS, "load_cell"} <= set(NAMES)
    for name in NAMES:
        readme = (CASES / name / "README.md").read_text(encoding="utf-8")
        assert "invented" in readme.lower()


@pytest.mark.parametrize("name", NAMES)
def test_case_is_valid_under_the_shipped_schema(name: str) -> None:
    """An editor that checks by the JSON Schema finds no fault."""
    schema = json.loads(SHIPPED.read_text(encoding="utf-8"))
    assert list(jsonschema.Draft202012Validator(schema).iter_errors(raw(name))) == []


@pytest.mark.parametrize("name", NAMES)
def test_case_states_what_a_unit_is_judged_on(name: str) -> None:
    """The requirement says by how many loadings and readings it is judged; nothing of that is assumed."""
    case = load_case(CASES / name / "case.toml")
    assert {"conditions", "loadings", "readings"} <= set(raw(name)["requirement"])
    assert not any("judged" in line for line in case.defaults)
    assert case.judged_on.startswith("2 loadings x 1 reading at ")


@pytest.mark.parametrize("name", NAMES)
def test_case_gives_numbers(name: str) -> None:
    """The study as shipped gives yields from 0 to 1 and finite errors; one with few units: tests/test_guide.py."""
    found = as_shipped(name)
    assert [o.name for o in found.options] == [c["name"] for c in raw(name)["calibration"]]
    for option in found.options:
        for share in option.yields.values():
            assert 0.0 <= share.sampled.low <= share.sampled.value <= share.sampled.high <= 1.0
        assert np.isfinite(option.errors.select_dtypes("number").drop(columns="load_N").to_numpy()).all()


@pytest.mark.parametrize("name", NAMES)
def test_case_exceeds_no_design_check(name: str) -> None:
    """The study as shipped keeps every limit of its design."""
    assert [c.name for c in as_shipped(name).checks if c.verdict == "exceeded"] == []


@pytest.mark.parametrize("name", GRIPPERS)
def test_gripper_needs_two_points_and_a_thermometer(name: str) -> None:
    """As the README says: everything simpler fails, two points conform and five bring little more."""
    found = as_shipped(name)
    bound = bounds(found)
    assert found.recommendation.option == TWO_POINTS
    assert {o.name for o in found.options if o.conforms} == {
        TWO_POINTS,
        "five points, 3 reloads, thermometer",
    }
    assert bound["none"] < 0.2
    assert abs(bound["tare"] - bound["none"]) < 0.02
    assert bound["five points, 3 reloads"] < 0.8
    assert bound[TWO_POINTS] >= 0.95
    assert abs(bound["five points, 3 reloads, thermometer"] - bound[TWO_POINTS]) < 0.02


@pytest.mark.parametrize("name", GRIPPERS)
def test_gripper_one_point_fails_by_what_six_sensors_do_not_tell(name: str) -> None:
    """Its yield lies above the target, the lower bound that one may promise below it."""
    chosen = as_shipped(name).option("one point, 3 reloads, thermometer").decisive_yield
    assert 0.96 < chosen.sampled.value < 0.99
    assert chosen.lower_bound < 0.95


def frozen(name: str, option: str) -> pd.DataFrame:
    """Budget of one option with each factor frozen, what helps most first; of the study no more is computed."""
    tables = raw(name)
    tables["calibration"] = [c for c in tables["calibration"] if c["name"] == option]
    tables["study"] |= {"units": FEW}
    budget = budget_of(model_of(read_changed(name, tables)))
    return budget[budget["change"] == "frozen"].sort_values("error_change_N").set_index("factor")


@pytest.mark.parametrize(
    ("name", "resistor"),
    [(GRIPPERS[0], "circuit.feedback per unit"), (GRIPPERS[1], "circuit.resistor per unit")],
)
def test_gripper_is_led_by_reloads_and_not_by_the_resistor(name: str, resistor: str) -> None:
    """Of the chosen option reload scatter leads, then the temperature coefficient; the resistor is far."""
    budget = frozen(name, TWO_POINTS)
    first, second = budget.index[:2]
    assert first.startswith("sensor.reload_scatter")
    assert second.startswith("sensor.temperature_coefficient")
    change = budget["error_change_N"]
    assert abs(change[resistor]) < 0.05 * abs(change.iloc[0])


def test_load_cell_is_led_by_its_measured_scatter() -> None:
    """The scatter found in the data moves the error of the chosen option most."""
    assert frozen("load_cell", "two points on the curve").index[0].startswith("sensor.reload_scatter")


def test_grippers_differ_in_the_circuit_alone() -> None:
    """Apart from name, notes and [circuit] the files say the same: paired draws compare the circuits."""
    first, second = (raw(name) for name in GRIPPERS)
    assert first["circuit"]["kind"] != second["circuit"]["kind"]
    models = {(CASES / name / raw(name)["sensor"]["from"]).resolve() for name in GRIPPERS}
    assert models == {CASES / GRIPPERS[0] / "pad_fit.toml"}
    for tables in (first, second):
        del tables["circuit"], tables["case"]["name"], tables["case"]["notes"], tables["sensor"]["from"]
    assert first == second


@pytest.mark.parametrize("name", GRIPPERS)
def test_gripper_runs_on_its_fitted_model(name: str) -> None:
    """The sensor is that of the bench, whose file is unchanged, and the lot's spread is told as assumed."""
    case = load_case(CASES / name / "case.toml")
    assert case.model is not None and case.model.data == "as fitted"
    assert [s.measured_on for s in case.elements["sensor"].quantities["exponent"].spreads] == [6]
    assert case.dependences[0].measured_on == 6
    assert any(line.startswith("sensor.sensitivity") and "per lot" in line for line in case.assumed)
    assert any("no real sensor was measured" in line for line in case.assumed)


def test_load_cell_agrees_with_its_data() -> None:
    """Table and scatter of the case are those of the CSV; the scatter is the certified one.

    NIST StRD, linear regression, 'Pontius': residual standard deviation 2.05177424076185E-04.
    """
    make_case = script("load_cell", "make_case.py")
    assert make_case.departures() == []
    assert make_case.measured()["residual"] == pytest.approx(2.05177424076185e-04, rel=1e-9)


def test_load_cell_needs_its_curve_and_two_points() -> None:
    """As the README says: no straight line conforms, one point on the curve just fails, two conform."""
    found = as_shipped("load_cell")
    bound = bounds(found)
    assert found.recommendation.option == "two points on the curve"
    assert bound["two points, straight line"] < 0.01
    assert bound["straight line, least squares"] < 0.01
    assert 0.90 < bound["one point on the curve"] < 0.95
    assert abs(bound["quadratic, least squares"] - bound["two points on the curve"]) < 0.02
