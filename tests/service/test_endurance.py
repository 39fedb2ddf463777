"""Endurance data from file to fit, and qualification tests by their command."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from test_life_fits import HANDBOOK

import margin
from margin.case.faults import CaseError
from margin.cli import cli
from margin.report.endurance_page import failed_by
from margin.service.endurance import Drift, read_endurance
from margin.service.life_fits import Lives

LIVES = "\n".join(
    [
        "unit,time (h),failed",
        *(f"{k},{t},1" for k, t in enumerate(HANDBOOK)),
        *(f"s{k},500,0" for k in range(10)),
    ]
)


def drift_text(
    rates: np.ndarray, noise: float, ages: tuple[float, ...] = (0.0, 1.0, 10.0, 100.0, 1000.0)
) -> str:
    """Outputs of units over their age, with noise relative to the output when new; invented."""
    rng = np.random.default_rng(4)
    lines = ["unit,time (h),output (uS)"]
    for k, rate in enumerate(rates):
        for age in ages:
            output = 4.0 * (1.0 - rate * np.log10(1.0 + age) + noise * rng.normal())
            lines.append(f"{k},{age},{output}")
    return "\n".join(lines)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder, the working directory."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_lives_from_a_file(folder: Path) -> None:
    """The handbook's data as a file give the handbook's fit, and the report holds it (see `test_life_fits`)."""
    (folder / "lives.csv").write_text(LIVES, encoding="utf-8")
    study = margin.endurance("lives.csv")
    assert isinstance(study, margin.LifeStudy)
    weibull = study.lives.query("distribution == 'Weibull'")
    assert weibull["scale"].iloc[0] == pytest.approx(606.5280, abs=5e-4)
    assert {fit.shape_name for fit in study.fits} == {"Weibull", "lognormal"}
    page = study.save("report")
    document = json.loads((page.parent / "endurance.json").read_text(encoding="utf-8"))
    assert document["answer"] in page.read_text(encoding="utf-8")
    assert str(study).replace("\n  ", " ").startswith(f"Found: {document['answer']}")
    assert len(study.failed_over_life().axes[0].lines) == 3


def test_few_failures_are_told(folder: Path) -> None:
    """With 10 failures the answer says how often its lower limit is too high; with 30 it has no need to.

    The scale has an interval, that of the life by which 63.2 % fail.
    """
    for failures, told in ((10, True), (30, False)):
        quantiles = (np.arange(failures) + 0.5) / failures
        lives = 600.0 * (-np.log1p(-quantiles)) ** 0.5
        rows = [f"{k},{life:.6g},1" for k, life in enumerate(lives)]
        (folder / "lives.csv").write_text("\n".join(["unit,time (h),failed", *rows]), encoding="utf-8")
        study = margin.endurance("lives.csv")
        assert isinstance(study, margin.LifeStudy)
        sentence = f"{failures} failures: intervals from fewer than 30 are too narrow"
        assert (sentence in " ".join(str(study).split())) is told
    weibull = next(fit for fit in study.fits if fit.shape_name == "Weibull")
    row = study.lives.query("distribution == 'Weibull'").iloc[0]
    assert (row["scale_low"], row["scale_high"]) == weibull.interval_of_life(1.0 - np.exp(-1.0))
    assert row["scale_low"] < 600.0 < row["scale_high"]


def test_days_are_hours(folder: Path) -> None:
    """A time in days gives lives in hours; cycles stay cycles."""
    for unit, factor, counted in (("day", 24.0, "h"), ("cycles", 1.0, "cycles")):
        (folder / "lives.csv").write_text(LIVES.replace("(h)", f"({unit})"), encoding="utf-8")
        study = margin.endurance("lives.csv")
        assert study.lives.query("distribution == 'Weibull'")["scale"].iloc[0] == pytest.approx(
            606.528 * factor, rel=1e-5
        )
        assert counted in str(study)


def test_a_drift_without_noise_is_found_exactly(folder: Path) -> None:
    """The rates that the data were made with, and their mean and standard deviation; the key goes into a case."""
    rates = np.array([0.01, 0.015, 0.02, 0.03])
    (folder / "drift.csv").write_text(drift_text(rates, 0.0), encoding="utf-8")
    study = margin.endurance("drift.csv")
    assert isinstance(study, margin.DriftStudy)
    assert study.found.rate == pytest.approx(rates, rel=1e-9)
    assert study.found.mean == pytest.approx(rates.mean())
    assert study.found.spread == pytest.approx(rates.std(ddof=1))
    assert study.found.case_text in " ".join(str(study).split())


def test_the_scatter_of_readings_is_no_spread_between_units(folder: Path) -> None:
    """Forty units of one rate, read with noise: the rates found differ, the spread left is a third of that at most."""
    (folder / "drift.csv").write_text(drift_text(np.full(40, 0.02), 0.01), encoding="utf-8")
    found = read_endurance(folder / "drift.csv")
    assert isinstance(found, Drift)
    assert found.mean == pytest.approx(0.02, abs=0.003)
    assert found.spread < 0.6 * found.spread_found
    # the standard error of a line's slope over these decades, from the noise (least squares, closed form)
    decades = np.log10(1.0 + np.array([0.0, 1.0, 10.0, 100.0, 1000.0]))
    assert np.median(found.error) == pytest.approx(
        0.01 / np.sqrt(((decades - decades.mean()) ** 2).sum()), rel=0.25
    )


def test_the_key_of_a_drift_is_read_by_a_case(folder: Path) -> None:
    """The text stands in [sensor] as it is."""
    (folder / "drift.csv").write_text(drift_text(np.array([0.01, 0.015, 0.02]), 0.0), encoding="utf-8")
    found = read_endurance(folder / "drift.csv")
    assert isinstance(found, Drift)
    text = f"""
        [load]
        range = "2 N to 60 N"
        [requirement]
        permissible_error = "2 N"
        [sensor]
        kind = "thin film"
        sensitivity = "4 uS"
        reference_load = "20 N"
        {found.case_text}
        [circuit]
        kind = "inverting amplifier"
        reference = "1.2 V"
        feedback = "60 kohm"
    """
    (folder / "case.toml").write_text(text, encoding="utf-8")
    ageing = margin.load("case.toml").elements["sensor"].quantities["ageing"]
    assert ageing.nominal == pytest.approx(0.015)
    assert ageing.spreads[0].measured_on == 3


def test_kaplan_and_meier_by_hand() -> None:
    """Lives 1, 2+, 3, 3, 4+: 4/5, then 1/3 of it survive (worked by hand)."""
    at, failed = failed_by(Lives.of_test([1.0, 2.0, 3.0, 3.0, 4.0], [True, False, True, True, False]))
    assert at.tolist() == [0.0, 1.0, 3.0]
    assert failed == pytest.approx([0.0, 0.2, 1.0 - 0.8 / 3.0])


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty|are not those of lives"),
        ("unit,time (h)\n1,2\n", "is empty|are not those of lives"),
        ("unit,time,failed\n1,2,1\n", "states no unit"),
        ("unit,time (N),failed\n1,2,1\n", "time"),
        ("unit,time (h),failed\n1,x,1\n2,3,1\n", "line 2.*is no time"),
        ("unit,time (h),failed\n1,2,maybe\n", "whether the unit failed"),
        ("unit,time (h),failed\n1,2,1\n1,3,1\n", "has a line before"),
        ("unit,time (h),failed\n1,0,1\n2,3,1\n", "is no life"),
        ("unit,time (h),failed\n1,2,1\n2,3,0\n", "1 of 2 units failed"),
        ("unit,time (h),failed\n,2,1\n", "names no unit"),
        ("unit,time (cycles),output\n1,0,4\n", "a drift is stated over hours"),
        ("unit,time (h),output\n1,0,4\n1,10,3.9\n", "2 readings"),
        ("unit,time (h),output\n1,0,4\n1,10,3.9\n1,100,nan\n", "is no output"),
        ("unit,time (h),output\n1,0,4\n1,10,3.9\n1,100,3.8\n", "1 unit is no spread"),
    ],
)
def test_files_that_hold_no_endurance_data_are_refused(folder: Path, text: str, words: str) -> None:
    """One message with file, line and remedy."""
    (folder / "data.csv").write_text(text, encoding="utf-8")
    with pytest.raises(CaseError, match=words):
        margin.endurance("data.csv")


def test_commands(folder: Path) -> None:
    """Both commands run, write their files, and answer by their exit code."""
    (folder / "lives.csv").write_text(LIVES, encoding="utf-8")
    run = CliRunner().invoke
    assert run(cli, ["endurance", "lives.csv", "--out", "one"]).exit_code == 0
    assert (folder / "one" / "endurance.html").exists()
    shows = ["qualify", "--tested", "22", "--out", "two"]
    assert run(cli, shows).exit_code == 0
    document = json.loads((folder / "two" / "qualification.json").read_text(encoding="utf-8"))
    assert document["shown"] == pytest.approx(0.9006, abs=1e-3)
    assert run(cli, ["qualify", "--tested", "21"]).exit_code == 1
    for bad in (
        ["--reliability", "110 %"],
        ["--duration", "2"],
        ["--shape", "-1"],
        ["--tested", "3", "--failed", "4"],
    ):
        assert run(cli, ["qualify", *bad]).exit_code == 2, bad
