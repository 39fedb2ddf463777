"""`margin overturn` and `margin estimate --overturn`: screen, files, sentences, bad input."""

from __future__ import annotations

import csv
import io
import json
import re
import shlex
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from rich.cells import cell_len
from turning_cases import TURNING_SD, line_case

import margin
from margin.cli import cli
from margin.design.overturning import Overturning, overturning
from margin.design.overturning.findings import findings
from margin.messages import overturning as words
from margin.messages.sentences import said
from margin.report import overturn_page

CASE = """
[case]
name = "Line"
unstated = "zero"
[load]
range = "2 N to 60 N"
check = 2
[requirement]
permissible_error = "6 % of reading"
conditions = 1
loadings = 1
[sensor]
kind = "thin film"
sensitivity = "4 uS"
reference_load = "20 N"
exponent = "1"
[circuit]
kind = "inverting amplifier"
reference = "1.2 V"
feedback = "60 kohm +/- 2 % (2 sigma)"
[use]
temperature = "25 degC"
[[calibration]]
kind = "none"
[[calibration]]
kind = "one-point"
loads = ["30 N"]
[study]
units = 4000
draw = "all units"
"""


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """A case file of which everything but one tolerance is exact."""
    path = tmp_path / "case.toml"
    path.write_text(CASE, encoding="utf-8")
    return path


def invoke(*words: str) -> Result:
    return CliRunner().invoke(cli, list(words))


@cache
def found() -> Overturning:
    """Turning values of a case with two normal errors."""
    return overturning(
        line_case("60 kohm +/- 2 % (2 sigma)", sensitivity="4 uS +/- 3 % (2 sigma) per unit"), "none"
    )


def test_the_command_answers_first_and_writes_what_it_shows(file: Path, tmp_path: Path) -> None:
    """The screen starts with verdict and nearest turning value of the recommended option; page, figure, JSON and tables
    have the same numbers, and the change in them runs."""
    out = tmp_path / "report"
    result = invoke("overturn", str(file), "--out", str(out))
    assert result.exit_code == 0, result.output
    text = " ".join(result.output.split())
    assert text.startswith("Case: Line, calibration 'none': conforms, lower bound")
    assert (
        "conforms as long as the standard deviation of circuit.feedback per unit stays below 3.0"
        in text.lower()
    )
    names = {each.name for each in out.iterdir()}
    assert {
        "overturn.html",
        "overturn.json",
        "turning_values.csv",
        "turning_pairs.csv",
        "turning-values.svg",
    } <= names
    document = json.loads((out / "overturn.json").read_text(encoding="utf-8"))
    (first, *_) = document["turning_values"]
    assert first["value"] == pytest.approx(100.0 * TURNING_SD, rel=0.01)
    rows = list(csv.DictReader(io.StringIO((out / "turning_values.csv").read_text(encoding="utf-8"))))
    assert float(rows[0]["value"]) == pytest.approx(first["value"]) and rows[0]["change"] == first["change"]
    page = (out / "overturn.html").read_text(encoding="utf-8")
    assert "What would overturn the decision" in page and "<svg" in page
    assert " ".join(document["sentences"][0].split())[1:] in " ".join(page.split())
    again = invoke("check", str(file), "--change", first["change"])
    assert again.exit_code == 0, again.output


def test_commands_to_run_it_again_are_whole(file: Path) -> None:
    """The command given for a turning value is one that a shell splits into the program and one change of the case."""
    study = margin.overturn(file, "none", pairs=False)
    (first, *_) = overturn_page.commands(study.found, "margin estimate case.toml")
    words = shlex.split(first)
    assert words[:4] == ["margin", "estimate", "case.toml", "--change"]
    key, _, value = words[4].partition("=")
    moved = margin.change(file, {key: value}).elements["circuit"].quantities["feedback"]
    assert moved.spreads[0].distribution.sd == pytest.approx(TURNING_SD, rel=0.01)


def test_a_study_shows_it_only_where_it_is_asked_for(file: Path, tmp_path: Path) -> None:
    """With --overturn the screen ends with the nearest turning value, the first page lists it, and a section with its
    table follows; without, neither has a word of it."""
    plain, asked = tmp_path / "plain", tmp_path / "asked"
    without = margin.estimate(margin.change(file, {"study.units": 400}), budget=False)
    without.save(plain)
    result = invoke("estimate", str(file), "--units", "400", "--overturn", "--out", str(asked))
    assert result.exit_code == 0, result.output
    assert without.overturning is None and "overturn" not in str(without)
    assert "What would overturn the decision: Conforms as long as" in " ".join(result.output.split())
    pages = [(folder / "report.html").read_text(encoding="utf-8") for folder in (plain, asked)]
    assert ["What would overturn the decision" in page for page in pages] == [False, True]
    assert {"overturn.json", "turning_values.csv", "turning-values.svg"} <= {e.name for e in asked.iterdir()}


def test_sentences_come_from_plain_data() -> None:
    """Each finding gives its sentence from its plain data: sizes, means and pairs, with what was assumed."""
    texts = [" ".join(said(each).split()) for each in findings(found(), most=3)]
    assert texts[0].startswith(
        "conforms as long as the standard deviation of sensor.sensitivity per unit stays below 2."
    )
    assert "assumed 1.5 %, 1.9 times" in texts[0]
    assert texts[1].startswith(
        "conforms as long as the standard deviation of circuit.feedback per unit stays below 2."
    )
    assert texts[-1].startswith("0 of 6 moves") or "do not overturn it" in texts[-1]
    kinds = {each.kind for each in findings(found())}
    assert kinds == {"overturning value", "never overturning"}


@pytest.mark.parametrize(
    ("feedback", "told"),
    [
        (
            "60 kohm +/- 9 % (2 sigma)",
            "would conform if the standard deviation of circuit.feedback per unit stayed below 3",
        ),
        (
            "60 kohm +/- 0.1 %",
            "none of 3 assumed sizes, means and effects overturns the verdict on 'none' within 10",
        ),
        ("60 kohm", "nothing assumed in this case is a number that could overturn the verdict on 'none'"),
    ],
)
def test_sentence_of_each_verdict(feedback: str, told: str) -> None:
    """A design that does not conform reads 'would conform if', one that nothing overturns says so."""
    case = line_case(feedback, units=2000)
    assert overturn_page.sentences(overturning(case, "none"))[0].startswith(told)


@pytest.mark.parametrize(
    ("number", "measure", "told"),
    [
        ({"value": 2.6e-7, "low": 2.5e-7, "high": 2.9e-7, "unit": "V/K"}, "half width", "260 nV/K"),
        ({"value": 0.031, "low": 0.029, "high": 0.033, "unit": ""}, "true value", "3.1 %"),
        ({"value": 43.2, "low": 39.0, "high": 46.0, "unit": "degC"}, "mean", "43 °C"),
        ({"value": 25.1, "low": 17.0, "high": 27.0, "unit": "degC"}, "half width", "25 K"),
        ({"value": 2.5, "low": 2.1, "high": None, "unit": ""}, "value", "2.5"),
    ],
)
def test_a_turning_value_is_shown_in_the_unit_of_its_quantity(
    number: dict[str, Any], measure: str, told: str
) -> None:
    """Prefixes suit the size; a temperature is in °C, a size of its spread in K; small plain numbers are percent."""
    assert " ".join(words.value_text(number, measure).split()) == told


@pytest.mark.parametrize("width", [40, 80, 120])
def test_no_line_is_longer_than_the_terminal(width: int) -> None:
    """Lines wrap to the width, and no number of a program is printed."""
    text = overturn_page.render(found(), "margin estimate case.toml", width)
    assert max(map(cell_len, text.splitlines())) <= width
    assert not re.search(r"(?<![\w.-])(nan|inf)(?![\w.])", text)


BAD: list[tuple[list[str], str]] = [
    (["nowhere.toml"], "there is no such file"),
    (["CASE", "--option", "two-point"], "no calibration option 'two-point'; there are 'none', 'one-point'"),
    (["CASE", "--units", "10"], "10 is not in the range"),
    (["CASE", "--units", "many"], "'many' is not a valid integer"),
    (["CASE", "--seed", "-1"], "-1 is not in the range"),
    (["CASE", "--workers", "0"], "0 is not in the range"),
    (["CASE", "--change", "circuit.feedback"], "write KEY=VALUE"),
    (["CASE", "--change", "circuit.fedback=1 kohm"], "fedback"),
    (["CASE", "--change", "circuit.feedback=-1 kohm"], "must be above 0"),
    (["CASE", "--out", "CASE"], "case.toml"),
    (["CASE", "--elements", "nowhere.py"], "nowhere.py"),
    ([], "Missing argument"),
]


@pytest.mark.parametrize(("words", "told"), BAD)
def test_bad_input_gets_one_clear_message(words: list[str], told: str, file: Path) -> None:
    """Each wrong input ends with code 2 and one message that names it, without a traceback."""
    result: Any = invoke("overturn", *(str(file) if word == "CASE" else word for word in words))
    assert result.exit_code == 2, result.output
    assert told in " ".join(result.output.split())
    assert "Traceback" not in result.output
