"""`margin accept`: answer first, files, the same again, changes, and one clear message for each bad input."""

from __future__ import annotations

import csv
import json
import math
import re
import shlex
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result
from small_results import case as small_case

import margin
from margin import errors
from margin.cli import cli

CASE = """
[case]
unstated = "zero"
name = "Line"
[load]
range = "2 N to 60 N"
check = ["20 N", "40 N"]
[requirement]
permissible_error = "1 % of reading"
[sensor]
kind = "thin film"
sensitivity = "4 uS +/- 0.8 % (2 sigma)"
reference_load = "20 N"
[circuit]
kind = "inverting amplifier"
reference = "1.2 V"
feedback = "60 kohm"
[station]
reference_scatter = "0.03 N"
[[calibration]]
kind = "none"
[[calibration]]
kind = "one-point"
loads = ["30 N"]
[study]
units = 3000
outer = 1
"""


@pytest.fixture
def case(tmp_path: Path) -> Path:
    path = tmp_path / "case.toml"
    path.write_text(CASE, encoding="utf-8")
    return path


def invoke(*words: object) -> Result:
    return CliRunner().invoke(cli, ["accept", *map(str, words)])


def test_the_answer_comes_first_and_the_files_hold_it(case: Path, tmp_path: Path) -> None:
    """Text and page begin with the test limit for the stated risk; JSON and CSV hold the numbers; the exit code is that
    of the verdict."""
    costs = ("--cost-bad", 50, "--cost-good", 3)
    found = invoke(case, "--risk", "0.2 %", *costs, "--limit", 0.85, "--out", tmp_path / "out")
    assert found.exit_code == 0, found.output
    lines = found.output.splitlines()
    assert lines[0] == "Acceptance test of: Line, calibration 'none'"
    assert lines[1].startswith("Answer: Ship units whose largest error at the test loads is at most 0.")
    text = " ".join(found.output.split())
    for said in (
        "guard band",
        "fail in use",
        "scraps",
        "It is no safety assessment",
        "Again: margin accept",
        "codes",
    ):
        assert said in text, said
    folder = tmp_path / "out"
    names = {"accept.html", "accept.json", "limits.csv", "rules.csv", "risk-over-limit.svg", "manifest.json"}
    assert {path.name for path in folder.iterdir()} == names
    plain = json.loads((folder / "accept.json").read_text(encoding="utf-8"))
    assert plain["verdict"] == "conforms" and plain["tested"] and 0.5 < plain["limit"] < 1.1
    assert plain["guard_band"] == pytest.approx(1.0 - plain["limit"])
    assert plain["risk"]["upper_bound"]["high"] <= 0.002
    assert plain["test"] == {"loads_N": [20.0, 40.0], "reloads": 1, "samples": 1, "station": "same"}
    rows = list(csv.DictReader((folder / "limits.csv").open(encoding="utf-8")))
    assert len(rows) == len(plain["limits"]) and rows[-1]["limit"] == ""
    assert "0.85" in [row["limit"] for row in rows]
    assert [row["rule"] for row in plain["rules"]][-3:] == ["consumer's risk 0.2 %", "lowest cost", "no test"]
    page = (folder / "accept.html").read_text(encoding="utf-8")
    first = page[page.index("<main>") :]
    assert first.index("Ship units") < first.index("<svg") < first.index("Test limits by rule")
    assert "It is no safety assessment" in page and "Operating table" in page


def test_the_command_that_is_shown_gives_the_same_again(case: Path, tmp_path: Path) -> None:
    """The line after 'Again:' run as it is written gives the same JSON, with changes, loads and seed."""
    words = [
        case, "--option", "one-point", "--risk", "2 %", "--change", "sensor.reload_scatter=0.4 %",
        "--test-load", "30 N", "--test-load", "55.5 N", "--reloads", 2, "--station", "other", "--seed", 5,
        "--limit", 0.9, "--out", tmp_path / "a",
    ]  # fmt: skip
    assert invoke(*words).exit_code in (0, 1, 3)
    plain = json.loads((tmp_path / "a" / "accept.json").read_text(encoding="utf-8"))
    again = shlex.split(plain["computed"]["command"])
    assert again[:2] == ["margin", "accept"]
    assert invoke(*again[2:], "--out", tmp_path / "b", "--quiet").output == ""
    assert json.loads((tmp_path / "b" / "accept.json").read_text(encoding="utf-8")) == plain
    assert plain["test"] == {"loads_N": [30.0, 55.5], "reloads": 2, "samples": 1, "station": "other"}


def test_changes_of_the_case_count(case: Path) -> None:
    """A change on the command line is the changed case in Python: a better reference needs a smaller guard band."""
    found = margin.accept(case, units=1000, workers=1)
    better = margin.accept(
        margin.change(case, {"station.reference_scatter": "0.01 N"}), units=1000, workers=1
    )
    assert better.found.expanded == pytest.approx(found.found.expanded / 3.0, rel=0.1)
    shown = invoke(case, "--units", 1000, "--change", "station.reference_scatter=0.01 N").output
    limit = better.limit
    assert limit is not None and f"at most {limit:g} of the permissible error" in " ".join(shown.split())


def test_a_limit_beyond_the_permissible_error_is_warned_of(case: Path) -> None:
    """Relaxed acceptance and a test that scraps most units each give a warning."""
    relaxed = " ".join(str(margin.accept(case, risk="0.6 %", units=3000, workers=1)).split())
    assert "Warning: The limit lies beyond the permissible error (relaxed acceptance)" in relaxed
    wide = margin.change(case, {"sensor.sensitivity": "4 uS +/- 8 % (2 sigma)"})
    assert "the test is no remedy for the design" in " ".join(
        str(margin.accept(wide, units=2000, workers=1)).split()
    )


def test_what_an_undecided_test_proposes_can_be_run(case: Path) -> None:
    """With too few outer draws the answer names a change of the case; run as it is written it shows a limit."""
    station = "station.reference_gain=0 % +/- 0.1 % (2 sigma)"
    words = (case, "--risk", "6 %", "--change", station, "--change", "study.outer=20", "--units", 2000)
    found = invoke(*words)
    assert found.exit_code == 3
    told = " ".join(found.output.split())
    proposed = re.search(
        r"20 outer draws are too few for an upper bound: draw more, such as (--change \S+ --units \d+)\.",
        told,
    )
    assert proposed is not None
    decided = invoke(case, "--risk", "6 %", "--change", station, *shlex.split(proposed[1]))
    assert decided.exit_code == 0, decided.output
    many = invoke(
        case, "--risk", "0.3 %", "--change", station, "--change", "study.outer=100", "--units", 3200
    )
    assert "Draw more units to decide, such as --units 12800." in " ".join(many.output.split())


def test_workers_and_blocks_change_nothing(case: Path) -> None:
    """The same text for one worker and two, and for another size of the blocks."""
    texts = {
        str(margin.accept(case, "one-point", workers=workers, block=block))
        for workers, block in ((1, None), (2, 100), (2, 1000))
    }
    assert len(texts) == 1


def test_tables_agree_with_the_answer() -> None:
    """The row of the chosen limit is in the operating table; the rules name risk and lowest cost."""
    study = margin.accept(
        small_case(), "one-point", risk="20 %", limits=[0.9], cost_bad=50.0, cost_good=4.0, workers=1
    )
    table = study.limits
    row = table[table["limit"].isna()] if study.limit is None else table[table["limit"] == study.limit]
    assert len(row) == 1
    assert row["bad_of_shipped"].item() == study.found.chosen_risk.sampled.value
    assert 0.9 in table["limit"].tolist() and math.isnan(table["limit"].iloc[-1])
    assert "lowest cost" in study.rules["rule"].tolist()
    assert np.all(table["shipped_bad_p5"] <= table["shipped_bad_p95"])


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--option", "two"), "no calibration option 'two' in 'Line'; there are 'none', 'one-point'"),
        (("--risk", "much"), "risk 'much' is not a share: write for example '1 %' or 0.01"),
        (("--risk", "120 %"), "risk must lie between 0 % and 100 % (got 1.2): write for example '1 %' or 0.01"),
        (("--risk", "nan"), "risk must lie between 0 % and 100 % (got nan)"),
        (("--test-load", "20"), "test load '20': "),
        (("--test-load", "90 N"), "test load 90 N lies outside the load range, 2 N to 60 N"),
        (("--test-load", "20 N", "--test-load", "20 N"), "test loads 20 N, 20 N: give each load once"),
        (("--reloads", "0"), "reloads must be a whole number from 1 to 100 (got 0)"),
        (("--samples", "1000"), "samples must be a whole number from 1 to 100 (got 1000)"),
        (("--limit", "-1"), "a test limit is a multiple of the permissible error above 0 and up to 10 (got -1.0)"),
        (("--units", "20"), "units must be a whole number, 100 at least (got 20)"),
        (("--cost-bad", "5"), "lowest cost needs both costs: state cost_bad"),
        (("--cost-bad", "5", "--cost-good", "-2"), "cost_good must be a number above 0 (got -2.0)"),
        (("--change", "load.range=0 N to 60 N", "--test-load", "0 N"),
         "test load 0 N: no error is permissible there; test at a higher load"),
    ],
)  # fmt: skip
def test_bad_input_gives_one_clear_message(case: Path, words: tuple[str, ...], message: str) -> None:
    """What cannot be tested is refused in one line, before anything is drawn."""
    found = invoke(case, *words)
    assert found.exit_code == 2
    assert len(found.output.strip().splitlines()) == 1
    assert message in found.output


@pytest.mark.parametrize(
    "given",
    [
        {"risk_of": "lot"},
        {"against": "taste"},
        {"station": "far"},
        {"units": 0},
        {"test_loads": []},
        {"risk": 0.0},
    ],
)
def test_bad_arguments_are_refused(case: Path, given: dict[str, Any]) -> None:
    """Arguments of the Python face are refused with what there is."""
    with pytest.raises(errors.InvalidArgument):
        margin.accept(case, **given)
