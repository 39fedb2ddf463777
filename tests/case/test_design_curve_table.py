"""The table [design_curve]: what it may say, whose conditions it has otherwise, and how that is reported."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest
from case_texts import case_text, line

from margin.case import CaseError, load_case, read_case, with_changes
from margin.case.types import DesignCurve

MODEL = """
[model]
format = 1
data = "bench.csv"
sha256 = "{sha256}"
written = 2025-11-25
temperature = "24 degC"
{more}
lots = 1
sensors = 6
mountings = 18
cycles = 90
readings = 1350

[sensor]
kind = "thin film"
reference_load = "8 N"
sensitivity = "18 uS"
creep_reference_time = "10 s"
""".replace("{sha256}", hashlib.sha256(b"").hexdigest())


def model_case(folder: Path, more: str = "", sensor: str = "", **tables: str) -> Path:
    """A case file whose sensor comes from a fitted model with further lines."""
    (folder / "bench.csv").write_bytes(b"")
    (folder / "pad_fit.toml").write_text(MODEL.replace("{more}", more), encoding="utf-8")
    path = folder / "case.toml"
    written = f'kind = "thin film"\nfrom = "pad_fit.toml"\n{sensor}'
    path.write_text(case_text(sensor=written, **tables), encoding="utf-8")
    return path


def test_what_is_stated_is_the_curve() -> None:
    """All four conditions arrive in SI units, and the readings call them stated."""
    table = 'dwell = "2 min"\nbranch = "mean"\ntemperature = "73.4 degF"\nhumidity = "40 %RH"'
    case = read_case(case_text(design_curve=table))
    assert case.design_curve == DesignCurve(120.0, "mean", pytest.approx(23.0), 40.0)  # type: ignore[arg-type]
    assert (
        "design curve: dwell 120 s (stated), branch mean (stated), temperature 23 degC (stated), "
        "humidity 40 %RH (stated)"
    ) in case.readings
    assert not any(each.startswith("design_curve") for each in case.defaults)


def test_what_is_not_stated_is_the_reference_of_the_sensor() -> None:
    """Without a model the curve was measured where the sensor's values hold, and that is listed as assumed."""
    about = {"case": 'reference_temperature = "22 degC"\nreference_humidity = "45 %RH"'}
    sensor = line("sensor", 'creep_reference_time = "5 s"')
    case = read_case(case_text(sensor=sensor, use='dwell = "30 s"', **about))
    assert case.design_curve == DesignCurve(5.0, "up", 22.0, 45.0)
    assert {each for each in case.defaults if each.startswith("design_curve")} == {
        "design_curve.dwell = 5 s: assumed, creep_reference_time of the sensor",
        "design_curve.branch = up: assumed, reference branch of the hysteresis",
        "design_curve.temperature = 22 degC: assumed, reference temperature of the case",
        "design_curve.humidity = 45 %RH: assumed, reference humidity of the case",
    }
    (reading,) = [each for each in case.readings if each.startswith("design curve")]
    assert "dwell 5 s (assumed: creep_reference_time of the sensor)" in reading


def test_a_fitted_model_brings_the_conditions_of_its_bench(tmp_path: Path) -> None:
    """Dwell, branch and temperature of the bench go before the case's reference, and what is stated before both."""
    bench = 'dwell = "3 s"\nbranch = "down"'
    case = load_case(model_case(tmp_path, bench))
    assert case.design_curve == DesignCurve(3.0, "down", 24.0, 50.0)
    (reading,) = [each for each in case.readings if each.startswith("design curve")]
    assert "dwell 3 s (bench of pad_fit.toml), branch down (bench of pad_fit.toml)" in reading
    assert [each for each in case.defaults if each.startswith("design_curve")] == [
        "design_curve.humidity = 50 %RH: assumed, reference humidity of the case"
    ]
    changed = with_changes(case, {"design_curve.branch": "up"})
    assert changed.design_curve == DesignCurve(3.0, "up", 24.0, 50.0)


def test_an_older_model_has_its_dwell_with_the_sensor(tmp_path: Path) -> None:
    """Without the two keys the values hold at the creep reference time of the model, on the ascending branch."""
    case = load_case(model_case(tmp_path, sensor='creep_reference_time = "20 s"'))
    assert case.design_curve == DesignCurve(10.0, "up", 24.0, 50.0)
    assert case.elements["sensor"].quantities["creep_reference_time"].nominal == 20.0


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ('dwell = "0 s"', '[design_curve] dwell = "0 s": must be above 0; write for example "1 s"'),
        ('dwell = "-3 s"', '[design_curve] dwell = "-3 s": must be above 0; write for example "1 s"'),
        ("dwell = 3", '[design_curve] dwell = 3: a time needs a unit; write for example "10 s"'),
        ('dwell = "3 N"', '"N" is a unit of force, time is needed'),
        ('dwell = "3 s +/- 1 s"', "is not a single value"),
        ('dwell = "nan s"', '[design_curve] dwell = "nan s": '),
        ('branch = "middle"', 'is not one of the choices; write "up", "down" or "mean"'),
        ("branch = 0.5", 'is not one of the choices; write "up", "down" or "mean"'),
        ('temperature = "-300 degC"', "lies below absolute zero, -273.15 degC"),
        ("temperature = 25", "a temperature needs a unit"),
        ('humidity = "120 %RH"', "must lie between 0 %RH and 100 %RH"),
        ('direction = "up"', '[design_curve] direction = "up": unknown key; keys are dwell, branch'),
    ],
)
def test_bad_conditions_are_refused(table: str, message: str) -> None:
    """Wrong types, units and values give one message with table, key, value, reason and remedy."""
    with pytest.raises(CaseError) as caught:
        read_case(case_text(design_curve=table))
    (fault,) = caught.value.faults
    assert message in str(fault)


def test_a_table_of_another_type_is_refused() -> None:
    """A list of tables is no table."""
    with pytest.raises(CaseError, match=r"design_curve = .*must be a table; write \[design_curve\]"):
        read_case(case_text('[[design_curve]]\ndwell = "1 s"'))


def test_a_bad_dwell_of_a_model_is_refused(tmp_path: Path) -> None:
    """The message names the model's file."""
    with pytest.raises(CaseError, match=r'pad_fit.toml: \[model\] dwell = "0 s": must be above 0'):
        load_case(model_case(tmp_path, 'dwell = "0 s"'))


@pytest.mark.parametrize("branch", ["down", "mean"])
def test_a_branch_that_turns_back_is_refused(branch: str) -> None:
    """Where 4 h / n is above 1 the descending output falls before the peak: two loads give one output."""
    sensor = line("sensor", 'exponent = 0.8\nhysteresis = "45 %"')
    with pytest.raises(CaseError) as caught:
        read_case(case_text(sensor=sensor, design_curve=f'branch = "{branch}"'))
    (fault,) = caught.value.faults
    assert (fault.table, fault.key, fault.value, fault.mend) == (
        "design_curve", "branch", branch, 'write branch = "up"',
    )  # fmt: skip
    assert "does not determine the force on this branch" in fault.reason
    read_case(case_text(sensor=sensor))
