"""`margin size` on the command line: list, report, exit codes, bad input."""

from __future__ import annotations

import shlex
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from few_parts import FEW_PARTS

from margin.cli import cli

CASE = """
[case]
unstated = "zero"
name = "Pad"
[load]
range = "2 N to 60 N"
check = ["2 N", "20 N", "60 N"]
[requirement]
permissible_error = "larger of 6 % of reading and 1 % of span"
[sensor]
kind = "thin film"
sensitivity = "4 uS +/- 12 % (2 sigma)"
reference_load = "20 N"
[circuit]
kind = "inverting amplifier"
reference = "1.2 V"
feedback = "82 kohm +/- 1 %"
[converter]
bits = 12
[[calibration]]
kind = "one-point"
loads = ["30 N"]
[study]
units = 1000
outer = 1
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a case and a table of parts, from which commands are run."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "case.toml").write_text(CASE, encoding="utf-8")
    (tmp_path / "parts.toml").write_text(FEW_PARTS, encoding="utf-8")
    return tmp_path


def run(*words: str) -> Result:
    return CliRunner().invoke(cli, [*words])


def test_the_printed_command_runs_the_best_design(folder: Path) -> None:
    """The list ends with a command that, run as it stands, gives a design that conforms; the report holds the page."""
    found = run("size", "case.toml", "--parts", "parts.toml", "--designs", "1", "--out", "report")
    assert found.exit_code == 0, found.output
    assert "Best design:" in found.output and "What limits:" in found.output
    assert (folder / "report" / "sizing.html").is_file()
    told = " ".join(found.output.partition("Run design 1:")[2].partition("Report:")[0].split())
    words = shlex.split(told)
    assert words[:2] == ["margin", "estimate"]
    again = run(*words[1:], "--seed", "9")
    assert again.exit_code == 0, again.output


def test_a_case_that_no_design_helps_has_exit_code_1(folder: Path) -> None:
    """Where no design conforms the exit code is 1, and the list says so."""
    found = run(
        "size", "case.toml", "--parts", "parts.toml", "--designs", "1",
        "--change", "requirement.permissible_error=0.01 % of span", "--resolution", "1 N",
    )  # fmt: skip
    assert found.exit_code == 1, found.output
    assert "does not conform" in found.output


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--option", "two-point"], "no calibration option 'two-point'"),
        (["--parts", "nowhere.toml"], "nowhere.toml: there is no such file"),
        (["--supply", "3"], "supply '3': a voltage needs a unit"),
        (["--share", "120 %"], "share of units"),
        (["--resolution", "-1 N"], "resolution"),
        (["--designs", "0"], "designs: 0"),
        (["--change", "circuit.kind=wheatstone"], "wheatstone"),
    ],
)
def test_bad_input_gives_one_message_and_exit_code_2(folder: Path, words: list[str], said: str) -> None:
    """Bad input exits with 2 and one message that names it, without a traceback."""
    found = run("size", "case.toml", "--parts", "parts.toml", *words)
    assert found.exit_code == 2, found.output
    assert said in found.output and "Traceback" not in found.output


def test_a_resistor_range_without_a_number_of_a_series_is_named(folder: Path) -> None:
    """A range between two numbers of every series holds no resistor, and the message says which key to widen."""
    text = FEW_PARTS.replace('range = ["1 kohm", "1 Mohm"]', 'range = ["1.1 kohm", "1.2 kohm"]')
    assert tomllib.loads(text)
    (folder / "parts.toml").write_text(text, encoding="utf-8")
    found = run("size", "case.toml", "--parts", "parts.toml")
    assert found.exit_code == 2 and "resistor.range holds no number" in found.output
