"""What units have been through in service, which profile results over age use, and ageing that has no effect."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import pytest
from click.testing import CliRunner
from pad_study import ONE_POINT, pad_case

import margin
from margin.cli import cli
from margin.messages.ageing import profile, warnings
from margin.service.ageing import activations_idle, ageing_quantities, cycles_missing, duty_missing
from margin.service.over_age import over_age

PAD = {"kind": "thin film", "sensitivity": "4 uS", "reference_load": "20 N"}
PUCK = {"kind": "load concentrator"}
SERVICE = {
    "years": 3, "cycles_per_day": 2400, "loads": ["15 N for 90 %", "60 N for 10 %"], "duty": "20 %",
    "temperatures": ["20 degC for 70 %", "45 degC for 30 %"], "storage": "2000 h at 35 degC",
}  # fmt: skip
K = 8.617333262e-5
"""Boltzmann's constant, eV/K (BIPM, SI brochure, 9th edition)."""


@lru_cache
def served_study() -> margin.AgeStudy:
    """A pad that ages by hours, cycles and hours under load, over the years of its profile."""
    sensor = {
        **PAD,
        "ageing": "1 % +/- 0.4 %",
        "ageing_activation": "0.7 eV",
        "cycle_loss": "0.5 % +/- 0.2 %",
    }
    circuit = {
        "kind": "inverting amplifier", "reference": "1.2 V", "feedback": "60 kohm", "feedback_ageing": "0.1 %",
        "resistor_drift": "film",
    }  # fmt: skip
    case = pad_case(
        ONE_POINT, sensor={**sensor, "sustained_creep": "0.2 % +/- 0.1 %"}, circuit=circuit, service=SERVICE,
        interface={**PUCK, "wear": "0.1 % +/- 0.1 %"}, study={"units": 200, "outer": 1},
    )  # fmt: skip
    return margin.age(case, points=2, workers=1)


def test_the_horizon_is_that_of_the_profile() -> None:
    """3 years unless others are asked for; 5 without a profile."""
    study = served_study()
    assert study.found.horizon == 3.0 * 8766.0 and "--years 3" in study.command
    case = study.found.case
    assert over_age(case, "one-point", years=1, points=2, units=100, workers=1).horizon == 8766.0
    bare = margin.change(pad_case(ONE_POINT), {"sensor.ageing": "1 %"})
    assert over_age(bare, "one-point", points=2, units=100, workers=1).horizon == 5.0 * 8766.0


def test_counts_by_an_age_have_their_closed_forms() -> None:
    """Cycles, those counted by their load, hours under load and equivalent hours at the last age."""
    rows = served_study().service
    last = rows[rows["age"] == 3.0 * 8766.0].set_index(["what", "by"])["value"]
    hours = 3.0 * 8766.0
    assert last["load cycles", ""] == pytest.approx(100.0 * hours)
    assert last["load cycles counted by load", ""] == pytest.approx(100.0 * hours * (0.9 * 0.25 + 0.1))
    assert last["hours under load", ""] == pytest.approx(0.2 * hours)
    assert last["hours with storage", ""] == pytest.approx(hours + 2000.0)

    def arrhenius(at: float) -> float:
        return math.exp(0.7 / K * (1.0 / 298.15 - 1.0 / (at + 273.15)))

    def film(at: float) -> float:
        return float(8.0 ** ((at - 25.0) / 30.0))

    for key, rate in (("sensor.ageing_activation", arrhenius), ("circuit.resistor_drift", film)):
        expected = hours * (0.7 * rate(20.0) + 0.3 * rate(45.0)) + 2000.0 * rate(35.0)
        assert last["equivalent hours", key] == pytest.approx(expected, rel=1e-9)


def test_the_result_says_which_profile_was_used() -> None:
    """The profile in words, and what a unit has been through; without one, that there is none."""
    head, counts = (text.replace("\N{NO-BREAK SPACE}", " ") for text in profile(served_study().found))
    assert head == (
        "[service] of the case: 3 years; 2400 load cycles a day; loads 15 N for 90 %, 60 N for 10 % of them; 20 degC "
        "for 70 %, 45 degC for 30 % of the time; 20 % of the time under load; stored 2000 h at 35 degC before use."
    )
    assert counts.startswith(
        "A unit with nominal values has by 3 years: 28 300 h with storage; 2 630 000 load cycles;"
    )
    assert "they count as 854 700 to 60 N; 5 260 h under load" in counts
    assert "h at 25 degC by sensor.ageing_activation (0.7 eV)" in counts
    bare = margin.change(pad_case(ONE_POINT), {"sensor.ageing": "1 %"})
    found = over_age(bare, "one-point", points=2, units=100, workers=1)
    assert profile(found) == (
        "no [service] in the case; load cycles, time under load and temperature are those of [use].",
    )
    shown = " ".join(str(served_study()).split())
    assert "Service: [service] of the case: 3 years" in shown


def test_the_budget_over_age_covers_every_new_effect() -> None:
    """A course a part that ages; activation energies are no part."""
    found = served_study().found
    keys = (
        "interface.wear",
        "sensor.ageing",
        "sensor.cycle_loss",
        "sensor.sustained_creep",
        "circuit.feedback_ageing",
    )
    assert found.ageing == keys == tuple(each.name for each in found.causes)
    curve = {
        "kind": "tabulated",
        "loads": ["2 N", "60 N"],
        "outputs": ["1 uS", "12 uS"],
        "zero_ageing": "0.1 %",
    }
    case = pad_case(
        ONE_POINT, sensor={**curve, "ageing_activation": "0.5 eV"},
        interface={**PUCK, "friction_growth": "0.1 %", "area_wear": "1 %"},
    )  # fmt: skip
    assert ageing_quantities(case) == (
        "interface.area_wear", "interface.friction_growth", "sensor.zero_ageing",
    )  # fmt: skip


def test_ageing_without_effect_is_named() -> None:
    """Effects of cycles without cycles, of hours under load without any, energies of what does not age."""
    sensor = {**PAD, "cycle_loss": "1 %", "sustained_creep": "1 %", "ageing_activation": "0.5 eV"}
    case = pad_case(ONE_POINT, sensor=sensor, interface={**PUCK, "wear": "1 %"})
    assert cycles_missing(case) == ("sensor.cycle_loss", "interface.wear")
    assert duty_missing(case) == ("sensor.sustained_creep",)
    assert activations_idle(case) == ("sensor.ageing_activation",)
    lines = warnings(over_age(case, "one-point", points=2, units=100, workers=1))
    assert [line.partition(": no effect")[0] for line in lines] == [
        "sensor.cycle_loss and interface.wear", "sensor.sustained_creep", "sensor.ageing_activation",
    ]  # fmt: skip
    part = pad_case(ONE_POINT, sensor=sensor, service={"years": 1})
    said = warnings(over_age(part, "one-point", points=2, units=100, workers=1))
    assert said[0].endswith("state cycles_per_day of [service].") and said[1].endswith(
        "state duty of [service]."
    )
    effective = pad_case(ONE_POINT, sensor={**sensor, "ageing": "1 %"}, service=SERVICE, interface=PUCK)
    assert not cycles_missing(effective) and not duty_missing(effective) and not activations_idle(effective)
    cold = pad_case(ONE_POINT, sensor={**PAD, "ageing": "1 %"}, service=SERVICE)
    (line,) = warnings(over_age(cold, "one-point", points=2, units=100, workers=1))
    assert line.startswith("temperatures of [service]: no effect")


def test_the_command_takes_the_years_of_the_profile(tmp_path: Any) -> None:
    """Without --years the horizon is that of the case; the page names the profile."""
    text = """
        [case]
        unstated = "zero"
        [load]
        range = "2 N to 60 N"
        [requirement]
        permissible_error = "6 % of reading"
        [sensor]
        kind = "thin film"
        sensitivity = "4 uS"
        reference_load = "20 N"
        ageing = "0.5 % +/- 0.3 %"
        [circuit]
        kind = "inverting amplifier"
        reference = "1.2 V"
        feedback = "60 kohm"
        [service]
        years = 2
        cycles_per_day = 100
    """
    (tmp_path / "case.toml").write_text(text, encoding="utf-8")
    words = ["age", str(tmp_path / "case.toml"), "--points", "2", "--units", "100", "--workers", "1"]
    shown = CliRunner().invoke(cli, [*words, "--out", str(tmp_path / "out")])
    assert shown.exit_code in (0, 1) and "2 years" in shown.output.replace("\N{NO-BREAK SPACE}", " ")
    page = (tmp_path / "out" / "age.html").read_text(encoding="utf-8")
    assert "[service] of the case" in page
    rows = (tmp_path / "out" / "service.csv").read_text(encoding="utf-8").splitlines()
    assert rows[0] == "age,what,by,value" and len(rows) > 2
