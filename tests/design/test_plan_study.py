"""`margin plan` and `margin.plan`: what they say, write and refuse; the pasted text runs."""

from __future__ import annotations

import csv
import dataclasses
import json
import re
import tomllib
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

import margin
from margin import errors
from margin.case import read_case
from margin.cli import cli
from margin.design.calibration_plan.paste import command_for, text_of
from margin.design.calibration_plan.result import CalibrationPlan
from margin.estimates.yield_result import Estimate
from margin.plan_study import PlanStudy
from margin.report import plan_page, plan_words

TEXT = """
[case]
name = "Pad"
unstated = "zero"
[load]
range = "2 N to 20 N"
check = 3
[requirement]
permissible_error = "6 % of reading"
conditions = 1
loadings = 1
[sensor]
kind = "thin film"
sensitivity = "40 uS +/- 30 %"
reference_load = "10 N"
exponent = "0.85 +/- 0.02"
reload_scatter = "1 %"
creep = "3 %"
[circuit]
kind = "inverting amplifier"
reference = "1.2 V"
feedback = "6 kohm +/- 1 %"
[use]
dwell = "2 s"
[station]
reference_scatter = "0.03 N"
[[calibration]]
kind = "none"
[study]
units = 400
"""


INF = float("inf")


@lru_cache
def found() -> PlanStudy:
    """A plan of the small case."""
    return margin.plan(read_case(TEXT), units=400, workers=1)


def invoke(*words: str) -> Result:
    """What a command does in this process."""
    return CliRunner().invoke(cli, list(words))


@pytest.fixture
def case_file(tmp_path: Path) -> Iterator[Path]:
    """The small case as a file."""
    path = tmp_path / "case.toml"
    path.write_text(TEXT, encoding="utf-8")
    yield path


def test_the_command_writes_the_report_and_the_pasted_plan_runs(case_file: Path, tmp_path: Path) -> None:
    """Page, figures, JSON, CSV and TOML are written; the TOML added to the case and the command run as they are
    printed give the plan, its time and a yield that agrees with the promise."""
    out = tmp_path / "report"
    done = invoke("plan", str(case_file), "--units", "400", "--workers", "1", "--out", str(out))
    assert done.exit_code in (0, 1, 3), done.output
    written = {path.name for path in out.iterdir()}
    assert written >= {
        "plan.html", "plan.json", "plans.csv", "reference.csv", "reference_curve.csv", "calibration.toml",
        "yield-over-seconds.svg", "loads-by-plan.svg",
    }  # fmt: skip
    document = json.loads((out / "plan.json").read_text(encoding="utf-8"))
    assert set(document["files"]) == written - {"manifest.json"}
    chosen = next(row for row in document["plans"] if row["chosen"])
    assert document["chosen"] == chosen["plan"] and document["verdict"] == chosen["verdict"]
    page = (out / "plan.html").read_text(encoding="utf-8")
    assert chosen["plan"] in page and "Test uncertainty ratio" in page and page.count("<svg") >= 3
    with (out / "plans.csv").open(encoding="utf-8") as lines:
        assert [row["plan"] for row in csv.DictReader(lines)] == [row["plan"] for row in document["plans"]]
    pasted = (out / "calibration.toml").read_text(encoding="utf-8")
    assert pasted.strip() in done.output
    text = case_file.read_text(encoding="utf-8").replace("[study]", f"{pasted}\n[study]")
    case_file.write_text(text, encoding="utf-8")
    command = document["command"]
    changes = dict(re.findall(r"--change '([^=]+)=([^']+)'", command))
    assert f"margin estimate {case_file}" in command
    again = margin.estimate(margin.change(case_file, changes), budget=False, workers=1)
    row = again.yields.set_index("option").loc[chosen["plan"]]
    assert row["seconds"] == pytest.approx(chosen["seconds"])
    assert chosen["yield_low"] <= row["yield"] <= chosen["yield_high"]


def test_the_dwell_of_a_plan_is_changed_by_the_command() -> None:
    """A plan with another dwell carries it as a change of the station, and as a note above its table."""
    study = found()
    plan = dataclasses.replace(study.found.chosen, dwell=4.0, dwell_changed=True)
    changed = margin.change(study.found.case, {"study.units": 500, "study.seed": 3, "case.name": "a pad"})
    command = command_for(changed, plan)
    assert (
        command == "margin estimate case.toml --seed 3 --units 500 --change 'case.name=a pad' "
        "--change 'station.dwell=4 s'"
    )
    text = text_of(study.found.case, plan)
    assert text.startswith('# and in [station]: dwell = "4 s"\n[[calibration]]\n')
    assert tomllib.loads(text)["calibration"][0]["name"] == plan.name
    changed = margin.change(study.found.case, {"station.dwell": "4 s"})
    assert changed.elements["station"].quantities["dwell"].nominal == 4.0


def test_an_option_of_the_case_is_not_pasted_twice() -> None:
    """A plan that the case has already is commented out."""
    study = found()
    case = dataclasses.replace(study.found.case, calibrations=(study.found.chosen.spec,))
    assert tomllib.loads(text_of(case, study.found.chosen)) == {}


def test_dwell_is_searched_where_something_creeps() -> None:
    """A pad that creeps in use from 1 s to 2 s is calibrated at a dwell of 2 s where that is worth its second; one
    that does not keeps the dwell of the station."""
    assert 2.0 in set(found().plans["dwell"])
    still = margin.change(read_case(TEXT), {"sensor.creep": "0 %"})
    assert set(margin.plan(still, seconds=30, units=400, workers=1).plans["dwell"]) == {1.0}


def test_the_answer_comes_first_then_how_sure_then_the_rest() -> None:
    """Printed and in the page the plan is named before anything else, then its draws, the front, the reference, the
    text to paste and the command."""
    study = found()
    text = str(study)
    order = ["Plan:", "How sure:", "Time a unit", "Reference:", "Paste into the case:", "margin estimate"]
    places = [text.index(word) for word in order]
    assert places == sorted(places) and text.startswith("Plan: ")
    assert study.found.chosen.name in " ".join(text.splitlines()[:3])
    headings = [part.heading for part in plan_page.sections(study.found)]
    assert headings == ["Calibration plan", "How to run it", "Reference of the station", "Computation"]
    assert found().verdict in text


def with_need(largest: Estimate | None) -> CalibrationPlan:
    """The plan with another largest multiple of its reference."""
    plan = found().found
    return dataclasses.replace(
        plan, need=dataclasses.replace(plan.need, largest=largest, load=6.0, stated_ratio=8.0, stated=0.1)
    )


@pytest.mark.parametrize(
    ("largest", "said"),
    [
        (None, "Even with a perfect reference"),
        (Estimate(INF, INF, INF), "up to 4 times .* a test uncertainty ratio of 2 .* suffices"),
        (Estimate(INF, 2.0, INF), "does so up to 2 times, a ratio of 4"),
        (Estimate(2.0, 1.0, 4.0), r"2 \(1 to 4\) times.* 4 \(2 to 8\), or U \(k = 2\) = 200 \(100 to 400 mN\) at 6 N"),
        (Estimate(2.0, 0.0, INF), r"2 \(0 to more than 4\).* 4 \(less than 2 to no limit\).*to more than 400 mN"),
    ],
)  # fmt: skip
def test_the_reference_is_described_with_its_interval(largest: Estimate | None, said: str) -> None:
    """What the reference may be is said with the interval, open ends too."""
    assert re.search(said, plan_words.reference_answer(with_need(largest)).replace("\N{NO-BREAK SPACE}", " "))


def test_a_thermometer_can_be_asked_for_or_left_out() -> None:
    """With or without a thermometer all plans have one, or none."""
    warm = margin.change(
        read_case(TEXT),
        {"sensor.temperature_coefficient": "0.3 %/K", "use.temperature": "0 degC to 40 degC"},
    )
    for wanted in (True, False):
        plans = margin.plan(warm, thermometer=wanted, seconds=30, units=400, workers=1).plans
        assert set(plans["thermometer"]) == {wanted}


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"seconds": -1}, "seconds = -1 lies below 0: give the time allowed for a unit, such as 40"),
        ({"seconds": float("nan")}, "seconds = nan is not a time: give seconds a unit, such as 40"),
        ({"seconds": "40 s"}, "seconds = '40 s' is not a time: give seconds a unit, such as 40"),
        ({"thermometer": "yes"}, r"thermometer = 'yes': give True \(with one\), False \(without\) or None"),
        ({"thermometer": True}, "nothing in this case varies with temperature.*leave the argument out"),
        ({"units": 5}, "units = 5: give a whole number of units from 100 to 100000000"),
        ({"units": 1e4}, "units = 10000.0: give a whole number of units"),
    ],
)
def test_arguments_that_no_plan_can_meet_are_refused(arguments: dict[str, Any], message: str) -> None:
    """Bad arguments give one message with the value and the fix, before anything is drawn."""
    with pytest.raises(errors.InvalidArgument, match=message):
        margin.plan(read_case(TEXT), **arguments)


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["nowhere.toml"], "nowhere.toml: there is no such file"),
        (["CASE", "--seconds", "-3"], "seconds = -3.0 lies below 0"),
        (["CASE", "--units", "7"], "units = 7: give a whole number of units"),
        (["CASE", "--thermometer"], "nothing in this case varies with temperature"),
        (["CASE", "--change", "sensor.creep"], "write KEY=VALUE"),
        (["CASE", "--change", "station.dwell=0 s"], "must be above 0"),
        (["CASE", "--out", "CASE"], "a file, not a folder"),
    ],
)
def test_bad_input_on_the_command_line_gives_one_message(
    words: list[str], message: str, case_file: Path
) -> None:
    """Exit code 2 and one clear message, whatever is wrong."""
    done = invoke("plan", *(str(case_file) if word == "CASE" else word for word in words))
    assert done.exit_code == 2, done.output
    assert message in done.output and "Traceback" not in done.output


def test_a_plan_without_a_reference_has_no_figure_of_it() -> None:
    """Where the case states no error of the reference, the figure is refused with the reason."""
    bare = dataclasses.replace(found().found.need, curve=found().found.need.curve.iloc[:0])
    study = PlanStudy(dataclasses.replace(found().found, need=bare))
    with pytest.raises(errors.InvalidArgument, match="asks nothing of the reference"):
        study.yield_over_reference()
    assert "states no error of the reference" in str(study)


def test_without_time_there_is_no_calibration() -> None:
    """No time at the station leaves the design curve for every unit: a plan without loads, which asks nothing of the
    reference, with its figures."""
    study = margin.plan(read_case(TEXT), seconds=0, units=400, workers=1)
    assert study.plans["kind"].tolist() == ["none"] and study.verdict == "does not conform"
    assert "asks nothing of the reference" in str(study) and "nothing to paste" in str(study)
    for figure in (study.yield_over_seconds(), study.loads_by_plan()):
        assert figure.axes[0].get_xlabel()
