"""`margin improve`: terminal, page, files, the command that runs the answer again, faults."""

from __future__ import annotations

import json
import re
import shlex
from functools import lru_cache
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner, Result
from gain_designs import file_of, gain_case

import margin
from margin.cli import cli
from margin.commands.common import CONFORMS, DOES_NOT_CONFORM
from margin.design.measures import read_measures

CASE = """
[case]
unstated = "zero"
name = "Pad"
[load]
range = "2 N to 60 N"
check = 2
[requirement]
permissible_error = "6 % of reading"
yield = "95 %"
[interface]
kind = "direct"
[sensor]
kind = "thin film"
sensitivity = "4 uS +/- 12 % (2 sigma) per unit"
reference_load = "20 N"
exponent = "1"
[circuit]
kind = "inverting amplifier"
reference = "1.2 V"
feedback = "50 kohm +/- 4 % (2 sigma)"
[[calibration]]
kind = "none"
[[calibration]]
kind = "one-point"
loads = ["30 N"]
[study]
units = 40000
"""

MEASURES = """
[today]
option = "none"
notes = "Invented prices."
[prices]
unit = 1.0
hour = 400.0
[[measure]]
name = "sensor A"
cost = 0.9
changes = ["sensor.sensitivity=4 uS +/- 5 % (2 sigma) per unit"]
source = "invented"
[[measure]]
name = "resistor 1 %"
cost = 0.2
changes = ["circuit.feedback=50 kohm +/- 1 % (2 sigma)"]
[[measure]]
name = "one point"
option = "one-point"
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a case and its measures; the working directory."""
    (tmp_path / "case.toml").write_text(CASE, encoding="utf-8")
    (tmp_path / "measures.toml").write_text(MEASURES, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@lru_cache
def improved() -> margin.ImproveStudy:
    """A finished search."""
    case = gain_case(0.06, 0.95)
    return margin.improve(case, read_measures(file_of(400.0, 1.0), case), workers=1)


def command(*words: str) -> Result:
    """What a command line does."""
    found = CliRunner().invoke(cli, list(words))
    assert found.exception is None or isinstance(found.exception, SystemExit), found.exception
    return found


def test_the_answer_and_the_command_that_runs_it_again(folder: Path) -> None:
    """The file beside the case is read; the answer, saved as page and data, conforms when its own command is run."""
    found = command("improve", "case.toml", "--out", "report")
    assert found.exit_code == CONFORMS, found.output
    words = " ".join(found.output.split())
    assert "Answer: cheapest set that conforms, 2 measures: sensor A + resistor 1 %; " in words
    assert "of 8 sets judged in order of cost" in words
    assert "Note: Invented prices." in words
    document = json.loads((folder / "report" / "measures.json").read_text(encoding="utf-8"))
    assert document["answer"]["measures"] == ["sensor A", "resistor 1 %"] and document["proven"] is True
    assert set(document["files"]) == {path.name for path in (folder / "report").iterdir()} - {"manifest.json"}
    page = (folder / "report" / "measures.html").read_text(encoding="utf-8")
    assert page.count("<svg") == 1 and "Invented prices." in page and "a good unit" in page
    sets = pd.read_csv(folder / "report" / "sets.csv")
    assert sets["standing"].tolist()[0] == "answer" and "today" in sets["standing"].tolist()
    assert sets["good_cost"].iloc[0] == sets[sets["verdict"] == "conforms"]["good_cost"].min()
    run = shlex.split(document["answer"]["command"])
    assert run[:3] == ["margin", "estimate", "case.toml"] and run.count("--change") == 2
    again = command(*run[1:])
    assert again.exit_code == CONFORMS
    row = re.search(r"^none +([\d.]+)\s%", again.output, flags=re.MULTILINE)
    assert row is not None, again.output
    low, high = (100.0 * document["sets"][0][f"yield_{end}"] for end in ("low", "high"))
    assert low - 0.3 <= float(row[1]) <= high + 0.3


def test_a_draft_is_written_and_read(folder: Path) -> None:
    """`--draft` writes measures proposed from the case, which `--measures` takes as they are; it overwrites nothing."""
    found = command("improve", "case.toml", "--draft", "mine.toml", "--option", "none")
    assert found.exit_code == 0 and "mine.toml" in found.output
    assert "no source: replace it by a quote" in (folder / "mine.toml").read_text(encoding="utf-8")
    assert command("improve", "case.toml", "--draft", "mine.toml").exit_code == 2
    study = margin.improve("case.toml", "mine.toml", workers=1)
    assert study.verdict == "conforms" and study.answer is not None
    assert study.answer.names == ("calibration: one-point",)


def test_where_no_set_conforms_the_exit_code_says_so(folder: Path) -> None:
    """A requirement that no measure reaches ends with 'does not conform', and the sets of the highest bound."""
    (folder / "measures.toml").write_text(MEASURES.rpartition("[[measure]]")[0], encoding="utf-8")
    found = command("improve", "case.toml", "--change", "requirement.permissible_error=1 % of reading")
    assert found.exit_code == DOES_NOT_CONFORM
    words = " ".join(found.output.split())
    assert "Answer: none of the 4 sets conforms: other measures are needed" in words
    assert "sensor A + resistor 1 %" in found.output.replace("\n", " ") or "Next-best" in words


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["case.toml", "--measures", "none.toml"], "none.toml: .*"),
        (["case.toml", "--option", "two"], "--option 'two': no such calibration; there are none, one-point"),
        (["case.toml", "--option", "one-point"], "today's calibration is stated by .*measures.toml"),
        (["case.toml", "--draft", "x.toml", "--out", "report"], "--draft writes measures to be edited"),
        (["case.toml", "--draft", "case.toml"], "--draft case.toml: is a file that is read here"),
        (["case.toml", "--draft", "measures.toml"], "--draft measures.toml: is there already"),
        (["case.toml", "--sets", "0"], "Invalid value for '--sets'"),
    ],
)
def test_what_is_asked_wrongly_is_refused(folder: Path, words: list[str], message: str) -> None:
    """A wrong option ends with exit code 2 and one message."""
    found = command("improve", *words)
    assert found.exit_code == 2
    assert re.search(message, found.output), found.output


def test_the_staircase_is_that_of_the_path() -> None:
    """The marks of the figure are the yields of the path at the costs of a unit made."""
    study = improved()
    axes = study.yield_over_cost().axes[0]
    drawn = {line.get_label(): line for line in axes.lines}
    assert drawn["yield"].get_xdata() == pytest.approx(study.path["made_cost"].tolist())
    assert drawn["yield"].get_ydata() == pytest.approx((100.0 * study.path["yield"]).tolist())
    assert study.path["added"].tolist()[0] == "today's design" and len(study.path) == 3


def test_parts_of_the_cost_add_up() -> None:
    """Parts of a unit made add up to it, and with rework and lost units to the cost of a good one."""
    costs = improved().costs.set_index("part")
    for column in costs.columns:
        parts = costs[column].tolist()
        assert sum(parts[:4]) == pytest.approx(parts[4]) and sum(parts[4:7]) == pytest.approx(parts[7])
