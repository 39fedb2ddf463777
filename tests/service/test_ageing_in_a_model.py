"""Endurance data as part of a fitted model: units of a known rate, the file, the case, and the rates drawn from it."""

from __future__ import annotations

import re
import shutil
import tomllib
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from scipy import stats
from test_endurance import LIVES, drift_text

import margin
from margin.case import load_case
from margin.case.faults import CaseError
from margin.case.model_file import endurance_in
from margin.cli import cli
from margin.propagation.model import model_of
from margin.propagation.plan import plan_of
from margin.propagation.readings import use_event
from margin.service import into_model
from margin.service.endurance import Drift

SHIPPED = Path(__file__).parents[2] / "cases" / "gripper_amplifier"
CASE = """
    [case]
    unstated = "zero"
    reference_temperature = "23 degC"
    [load]
    range = "2 N to 20 N"
    [requirement]
    permissible_error = "2 N"
    [sensor]
    from = "pad_fit.toml"
    sensitivity = "+/- 8 % (2 sigma) per lot"
    [circuit]
    kind = "inverting amplifier"
    reference = "1.2 V"
    feedback = "20 kohm"
    [use]
    age = "1000 h"
    [study]
    units = 20000
    outer = 2000
    seed = 5
"""
RATES = np.random.default_rng(1).normal(0.02, 0.004, 8)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the shipped model, a case that reads it and drifts of eight units, the working directory."""
    monkeypatch.chdir(tmp_path)
    shutil.copy(SHIPPED / "pad_fit.toml", tmp_path)
    (tmp_path / "case.toml").write_text(CASE, encoding="utf-8")
    (tmp_path / "drift.csv").write_text(drift_text(RATES, 0.002), encoding="utf-8")
    return tmp_path


def drift(rates: np.ndarray, errors: np.ndarray) -> Drift:
    """Rates as found, with their standard errors."""
    units = rates.size
    return Drift(tuple(map(str, range(units))), rates, errors, np.full(units, 1000.0), 5 * units)


def test_rates_drawn_from_the_file_are_those_of_the_units(folder: Path) -> None:
    """Drawn rates have the mean, the spread between units and the common spread that the units' own rates give.

    Sampling theory of n normal rates (JCGM 101, 6.4.9): the variance between units is (n - 1) s^2 over chi-square of
    n - 1 degrees of freedom, and given it the mean is normal about that of the sample with a variance smaller by n; the
    scatter of readings adds its own part, widened from a normal to Student's 95 % limits.
    """
    study = margin.endurance("drift.csv")
    assert isinstance(study, margin.DriftStudy)
    study.into_model("pad_fit.toml")
    case = load_case(folder / "case.toml")
    model, plan = model_of(case), plan_of(case)
    source = model.source(plan.frame.grouping, 0, plan.frame.units)
    event = use_event(case, None)
    own, common = (next(f for f in model.factors if f.name == f"sensor.ageing per {level}")
                   for level in ("unit", "common"))  # fmt: skip
    each = plan.frame.grouping.units_per_draw
    drawn = case.elements["sensor"].quantities["ageing"].nominal + np.ravel(source.deviation(own, event))
    by_population = drawn.reshape(-1, each)
    found, units = study.found, 8
    assert found.worth == units
    assert found.mean == pytest.approx(RATES.mean(), abs=3.0 * np.sqrt(np.mean(found.error**2) / units))
    centres, within = by_population.mean(axis=1), by_population.var(axis=1, ddof=1)
    expected = found.spread**2 * (units - 1) / (units - 3)
    assert centres.mean() == pytest.approx(found.mean, abs=4.0 * np.sqrt(expected / units / centres.size))
    assert within.mean() == pytest.approx(expected, rel=0.06)
    assert centres.var(ddof=1) == pytest.approx(expected / units + expected / each, rel=0.08)
    wide = stats.t.ppf(0.975, units - 1) / stats.norm.ppf(0.975)
    scatter = np.sqrt((found.spread_found**2 - found.spread**2) / units)
    assert np.std(source.deviation(common, event)) == pytest.approx(wide * scatter, rel=0.04)
    # a further unit: Student's predictive distribution
    limits = found.mean + found.spread * np.sqrt(1.0 + 1.0 / units) * stats.t.ppf([0.025, 0.975], units - 1)
    assert np.mean((drawn > limits[0]) & (drawn < limits[1])) == pytest.approx(0.95, abs=0.015)


@pytest.mark.parametrize("noise", [0.0, 0.5, 1.5])
@pytest.mark.parametrize("units", [4, 12])
def test_the_mean_rate_lies_within_what_the_file_says(units: int, noise: float) -> None:
    """Of many tests of units of one population, 93 % or more have the true mean in the 95 % interval of the file.

    noise  standard error of a unit's rate, in standard deviations between units
    """
    rng = np.random.default_rng(units)
    within, tests = 0, 1000
    for _ in range(tests):
        found = drift(0.02 + 0.004 * (rng.normal(size=units) + noise * rng.normal(size=units)),
                      np.full(units, 0.004 * noise))  # fmt: skip
        by_level = {spread.level: spread for spread in found.quantity.spreads}
        half = 0.0
        if (own := by_level.get("unit")) is not None and own.units is not None:
            half = own.sd / np.sqrt(own.units) * float(stats.t.ppf(0.975, own.units - 1))
        if (common := by_level.get("common")) is not None:
            half = float(np.hypot(half, 1.96 * common.sd))
        within += abs(found.mean - 0.02) <= half
    assert within / tests >= 0.93


def test_a_spread_lost_in_the_scatter_is_as_found() -> None:
    """Rates that differ as their standard errors let expect keep the spread found, which is not too small."""
    found = drift(0.02 + 0.001 * np.array([-1.0, 1.0, -1.0, 1.0]), np.full(4, 0.002))
    (spread,) = found.quantity.spreads
    assert (spread.level, spread.units) == ("unit", 4)
    assert spread.sd == pytest.approx(0.001 * np.sqrt(4.0 / 3.0))
    assert "written as found" in found.quantity.told[0]
    equal = drift(np.full(4, 0.02), np.zeros(4))
    assert equal.case_text == 'ageing = "2 %"'


def test_the_model_keeps_all_else(folder: Path) -> None:
    """Comments and quantities of the bench stay; a second call replaces the first; the effect counts as measured."""
    before = (folder / "pad_fit.toml").read_text(encoding="utf-8")
    for rates in (RATES, RATES + 0.01):
        (folder / "drift.csv").write_text(drift_text(rates, 0.0), encoding="utf-8")
        run = CliRunner().invoke(cli, ["endurance", "drift.csv", "--into", "pad_fit.toml"])
        assert run.exit_code == 0, run.output
    after = (folder / "pad_fit.toml").read_text(encoding="utf-8")
    added = [line for line in after.splitlines() if line not in before.splitlines()]
    table = after[after.index("[model.endurance]") :]
    assert re.search(r"^written = \d{4}-\d\d-\d\d$", table[: table.index("\n[", 1)], re.MULTILINE)
    # the table with its date, which may be that of the bench, and four other keys; the line of its origin and the key
    assert len([line for line in added if not line.startswith("written = ")]) == 8
    assert added[0] == "[model.endurance]"
    gone = [line for line in before.splitlines() if line not in after.splitlines()]
    assert [line.split(",")[0].strip() for line in gone] == ['"ageing"']
    ageing = load_case(folder / "case.toml").elements["sensor"].quantities["ageing"]
    assert ageing.nominal == pytest.approx(RATES.mean() + 0.01, rel=1e-3)
    unmeasured = tomllib.loads(before)["model"]["unmeasured"]
    assert tomllib.loads(after)["model"]["unmeasured"] == [key for key in unmeasured if key != "ageing"]


def test_the_case_says_where_the_ageing_comes_from(folder: Path) -> None:
    """Origin and what it rests on; data that have changed since; nothing of it where the case states its own."""
    margin.endurance("drift.csv").into_model("pad_fit.toml")
    case = load_case(folder / "case.toml")
    assert any(
        "ageing fitted to drift.csv" in line and "8 units, 40 readings" in line for line in case.readings
    )
    assert any(
        "ageing holds at the loads and the temperature of drift.csv" in a.text for a in case.assumptions
    )
    assert not any("drift.csv has changed" in a.text for a in case.assumptions)
    (folder / "drift.csv").write_text(drift_text(RATES, 0.1), encoding="utf-8")
    assert any("drift.csv has changed" in a.text for a in load_case(folder / "case.toml").assumptions)
    own = CASE.replace("[circuit]", 'ageing = "1 %"\n    [circuit]')
    (folder / "case.toml").write_text(own, encoding="utf-8")
    case = load_case(folder / "case.toml")
    assert case.elements["sensor"].quantities["ageing"].nominal == pytest.approx(0.01)
    assert not any("ageing fitted to" in line for line in case.readings)


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("case.toml", None, "this is no fitted model"),
        ("nowhere.toml", None, "there is no such file"),
        ("drift.csv", None, "is a file that is read here"),
        ("pad_fit.toml", ('kind = "thin film"', 'kind = "thin film"\nageing = "1 %"'), "take that line out first"),
        ("pad_fit.toml", ("\n[sensor]\n", "\nsensor.kind = 'thin film'\n[other]\n"), "other"),
        ("pad_fit.toml", ('kind = "thin film"', '"kind" = "thin film"'), "is not laid out as"),
        ("pad_fit.toml", ('"ageing",  #', '"ageing" ,  #'), "is not laid out as"),
        ("pad_fit.toml", ("\n[sensor]\n", "\n[model.endurance]\nunits = 1\n[sensor]\n"), "endurance"),
    ],
)  # fmt: skip
def test_what_cannot_take_an_ageing_is_refused(
    folder: Path, name: str, text: tuple[str, str] | None, words: str
) -> None:
    """One clear message, and the file is left as it was."""
    path = folder / name
    if text is not None:
        path.write_text(path.read_text(encoding="utf-8").replace(*text), encoding="utf-8")
    before = path.read_bytes() if path.exists() else None
    run = CliRunner().invoke(cli, ["endurance", "drift.csv", "--into", name])
    assert run.exit_code == 2
    assert words in " ".join(run.output.split())
    assert (path.read_bytes() if path.exists() else None) == before


def test_a_kind_without_ageing_is_refused(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A sensor of one's own may have no key for it: the message says so."""
    monkeypatch.setattr(into_model, "parameters_of", lambda cls: {})
    with pytest.raises(CaseError, match="has no key for a loss of output"):
        margin.endurance("drift.csv").into_model("pad_fit.toml")


def test_a_model_written_anew_says_that_its_ageing_is_gone(folder: Path) -> None:
    """The command that puts it in again is printed, and runs; a model without an ageing says nothing."""
    shutil.copy(SHIPPED / "bench.csv", folder)
    shutil.copy(SHIPPED / "bench.circuits.toml", folder)
    (folder / "models").mkdir()
    shutil.copy(folder / "pad_fit.toml", folder / "models")
    again = [
        "bench",
        "bench.csv",
        "--circuit",
        "amplifier",
        "--interface",
        "silicone",
        "--model",
        "models/pad_fit.toml",
    ]
    assert endurance_in(Path("models/pad_fit.toml")) is None and endurance_in(Path("nowhere.toml")) is None
    margin.endurance("drift.csv").into_model("models/pad_fit.toml")
    said = CliRunner().invoke(cli, again).output.split("put it in again: margin ")[1].split("\n\n")[0].split()
    assert CliRunner().invoke(cli, said).exit_code == 0
    assert (
        "ageing" in tomllib.loads((folder / "models" / "pad_fit.toml").read_text(encoding="utf-8"))["sensor"]
    )


def test_lives_go_into_no_model(folder: Path) -> None:
    """The message says why a case has no use for them, and what to measure."""
    (folder / "lives.csv").write_text(LIVES, encoding="utf-8")
    run = CliRunner().invoke(cli, ["endurance", "lives.csv", "--into", "pad_fit.toml"])
    assert run.exit_code == 2
    assert "a case judges units by their error" in " ".join(run.output.split())
