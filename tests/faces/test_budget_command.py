"""The budget command: exit codes, messages and files."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

import margin
from margin.cli import cli
from margin.commands.common import BAD_INPUT

CASE = """
[case]
unstated = "zero"
[load]
range = "2 N to 20 N"
check = ["2 N", "10 N", "20 N"]
[requirement]
permissible_error = "5 % of reading"
[sensor]
kind = "thin film"
sensitivity = "40 uS +/- 10 %"
reference_load = "10 N"
reload_scatter = "1 %"
[circuit]
kind = "inverting amplifier"
reference = "1.2 V"
feedback = "10 kohm +/- 1 %"
[[calibration]]
kind = "none"
[[calibration]]
kind = "one-point"
loads = ["10 N"]
[study]
units = 200
"""


@pytest.fixture
def case(tmp_path: Path) -> Path:
    path = tmp_path / "case.toml"
    path.write_text(CASE, encoding="utf-8")
    return path


def invoke(*words: str) -> Result:
    return CliRunner(env={"COLUMNS": "80"}).invoke(cli, ["budget", *words])


def test_a_budget_is_printed_and_written(case: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Exit code 0 whether or not the case conforms; the summary names option and page, as wide as asked."""
    monkeypatch.setenv("COLUMNS", "80")
    out = tmp_path / "budget"
    found = invoke(str(case), "--runs", "1000", "--option", "one-point", "--out", str(out))
    assert found.exit_code == 0, found.output
    assert "calibration 'one-point'" in found.output
    assert f"Report: {out / 'budget.html'}" in found.output
    assert max(len(line) for line in found.output.splitlines() if not line.startswith("Report:")) <= 80
    assert {"budget.html", "budget.json", "actions.csv", "effects.csv"} <= {p.name for p in out.iterdir()}
    assert not (out / "second_order.csv").exists() and not (out / "shapley.csv").exists()


def test_more_can_be_asked_for(case: Path, tmp_path: Path) -> None:
    """`--second-order` and `--shapley` add their tables; a later budget without them takes the tables away, and is
    the same to the bit with another number of threads in another folder."""
    out, other = tmp_path / "budget", tmp_path / "other"
    words = (str(case), "--runs", "1000", "--quiet", "--workers", "2", "--out", str(out))
    found = invoke(*words, "--second-order", "--shapley")
    assert (found.exit_code, found.output) == (0, "")
    document = json.loads((out / "budget.json").read_text(encoding="utf-8"))
    assert document["second_order"] and document["shapley"]
    assert (out / "second_order.csv").exists() and (out / "shapley.csv").exists()
    assert invoke(*words).exit_code == 0
    assert not (out / "second_order.csv").exists() and not (out / "shapley.csv").exists()
    assert invoke(*words, "--workers", "3", "--out", str(other)).exit_code == 0
    assert {path.name for path in out.iterdir()} == {path.name for path in other.iterdir()}
    for one in out.iterdir():
        assert one.read_bytes() == (other / one.name).read_bytes()


STILL = {"sensor.sensitivity": "40 uS", "sensor.reload_scatter": "0 %", "circuit.feedback": "10 kohm"}
BAD = {
    "unknown option": (("--option", "three-point"), "there are 'none', 'one-point'"),
    "too few runs": (("--runs", "100"), "--runs"),
    "nothing varies": (
        tuple(word for key, value in STILL.items() for word in ("--change", f"{key}={value}")),
        "nothing varies",
    ),
    "unknown key": (("--change", "circuit.feedbak=1 kohm"), "feedbak"),
    "no workers": (("--workers", "0"), "--workers"),
}


@pytest.mark.parametrize(("words", "message"), BAD.values(), ids=BAD.keys())
def test_bad_input_is_told_in_one_message(case: Path, words: tuple[str, ...], message: str) -> None:
    """Exit code 2, what is wrong, no traceback, nothing written."""
    out = case.parent / "budget"
    found = invoke(str(case), "--runs", "1000", *words, "--out", str(out))
    assert found.exit_code == BAD_INPUT
    assert message in found.output
    assert "Traceback" not in found.output
    assert not out.exists()


def test_a_folder_of_something_else_is_refused_before_anything_is_drawn(case: Path) -> None:
    """Files that no report wrote are left alone."""
    foreign = case.parent / "notes"
    foreign.mkdir()
    (foreign / "notes.txt").write_text("mine", encoding="utf-8")
    found = invoke(str(case), "--runs", "1000", "--out", str(foreign))
    assert found.exit_code == BAD_INPUT
    assert "notes.txt" in found.output
    assert [path.name for path in foreign.iterdir()] == ["notes.txt"]


def test_the_python_face_gives_the_same(case: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """`margin.budget` gives the data of every option, prints the summary and saves the page."""
    monkeypatch.setenv("COLUMNS", "80")
    study = margin.budget(margin.load(case), runs=1000, workers=1)
    assert set(study.actions["option"]) == {"none", "one-point"}
    assert set(study.shares.effects["by"]) == {"factor", "part", "level", "cause"}
    assert study.option == study.budget.leading_option == "one-point"
    assert str(study) == invoke(str(case), "--runs", "1000").stdout
    assert study.save(tmp_path / "saved").exists()
    with pytest.raises(ValueError, match="no calibration option 'two'"):
        margin.budget(margin.load(case), option="two")
