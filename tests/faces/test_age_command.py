"""`margin age`: answer first, files, the same again, and one clear message for bad input."""

from __future__ import annotations

import csv
import json
import re
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from margin.cli import cli

CASE = """
[case]
unstated = "zero"
name = "Line"
[load]
range = "2 N to 60 N"
check = ["20 N", "40 N"]
[requirement]
permissible_error = "3 % of reading"
[sensor]
kind = "thin film"
sensitivity = "4 uS +/- 0.8 % (2 sigma)"
reference_load = "20 N"
ageing = "0.5 % +/- 0.4 % (2 sigma)"
[circuit]
kind = "inverting amplifier"
reference = "1.2 V"
feedback = "60 kohm"
[[calibration]]
kind = "one-point"
loads = ["30 N"]
[study]
units = 1000
outer = 1
"""
QUICK = ("--points", "5", "--units", "1000", "--workers", "1")


@pytest.fixture
def case(tmp_path: Path) -> Path:
    path = tmp_path / "case.toml"
    path.write_text(CASE, encoding="utf-8")
    return path


def invoke(*words: object) -> Result:
    return CliRunner().invoke(cli, ["age", *map(str, words)])


def test_answer_files_and_the_same_again(case: Path, tmp_path: Path) -> None:
    """The answer stands first, the files hold the numbers of the screen, and the command printed gives them again."""
    found = invoke(case, *QUICK, "--out", tmp_path / "out")
    assert found.exit_code == 1, found.output
    assert found.output.splitlines()[1].startswith("Answer: Does not conform: fewer than 95")
    assert "someone" in found.output
    document = json.loads((tmp_path / "out" / "age.json").read_text(encoding="utf-8"))
    rows = list(csv.DictReader((tmp_path / "out" / "yields.csv").open(encoding="utf-8")))
    assert [float(row["yield"]) for row in rows] == [row["yield"] for row in document["yields"]]
    assert set(document["files"]) == {path.name for path in (tmp_path / "out").iterdir()} - {"manifest.json"}
    assert sum(row["units"] for row in document["passages"]) == document["computed"]["units"] == 1000
    page = (tmp_path / "out" / "age.html").read_text(encoding="utf-8")
    assert all(
        re.search(f">{heading}<", page) for heading in ("Time to first non-conformity", "In the field")
    )
    words = shlex.split(document["computed"]["command"])
    again = CliRunner().invoke(cli, [*words[1:], "--out", str(tmp_path / "again")])
    assert again.exit_code == 1
    assert (tmp_path / "again" / "age.json").read_bytes() == (tmp_path / "out" / "age.json").read_bytes()


def test_a_frozen_sensor_conforms_and_says_that_nothing_ages(case: Path) -> None:
    """Without its only ageing the case conforms at every age, with a warning that nothing ages."""
    found = invoke(case, *QUICK, "--change", "sensor.ageing=0 %")
    assert found.exit_code == 0, found.output
    assert "Warning: Nothing in this case ages" in found.output


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--years", "-1"), "years must lie above 0"),
        (("--age", "1000"), "a time needs a unit"),
        (("--every", "9 years"), "up to the last age, 43830 h"),
        (("--option", "tare"), "no calibration option 'tare'"),
        (("--change", "station.age=-5 h"), "station"),
    ],
)  # fmt: skip
def test_bad_input_is_refused_in_one_message(case: Path, words: tuple[str, ...], said: str) -> None:
    """Exit code 2, one message, no traceback."""
    found = invoke(case, *words)
    assert found.exit_code == 2 and said in found.output
    assert "Traceback" not in found.output


def test_a_missing_case_is_refused(tmp_path: Path) -> None:
    """A path without a file is named."""
    found = invoke(tmp_path / "nowhere.toml")
    assert found.exit_code == 2 and "nowhere.toml" in found.output
