"""Commands that are printed to run something again: what was changed, own elements and seed are in them."""

from __future__ import annotations

import dataclasses
import re
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from few_parts import FEW_PARTS

import margin
from margin.case.again import words_of
from margin.case.changes import with_changes
from margin.case.load import load_case
from margin.chain.registry import ELEMENTS
from margin.cli import cli
from margin.commands.common import Asked, load
from margin.propagation.identity import content_of

ELEMENT = '''
from dataclasses import dataclass
from typing import ClassVar
import numpy as np
import margin
from margin.chain.parameter import Value, parameter

@dataclass(frozen=True, kw_only=True)
class Root:
    """Conductance that grows with the root of the force."""
    kind: ClassVar[str] = "printed root"
    output_kind: ClassVar[str] = "conductance"
    voltage_coefficient: ClassVar[float] = 0.0
    voltage_reference: ClassVar[float] = 1.0
    scale: Value = parameter("S", positive=True, doc="conductance at 20 N")

    def output(self, contact, setting):
        return self.scale * np.sqrt(np.maximum(contact.force, 0.0) / 20.0)

    def force_from(self, output, setting):
        return 20.0 * (np.maximum(output, 0.0) / self.scale) ** 2

margin.register("sensor", Root)
'''

CASE = """
[case]
unstated = "zero"
[load]
range = "2 N to 60 N"
check = 2
[requirement]
permissible_error = "2 % of reading"
[sensor]
kind = "printed root"
scale = "4 uS +/- 12 % (2 sigma)"
[circuit]
kind = "inverting amplifier"
reference = "1.2 V"
feedback = "82 kohm +/- 1 %"
[[calibration]]
kind = "none"
[[calibration]]
kind = "one-point"
loads = ["30 N"]
[study]
units = 2000
outer = 1
draw = "all units"
"""

CHANGES = {
    "requirement.permissible_error": "larger of 6 % of reading and 1 % of span",
    "case.name": 'the grower\'s "pad"',
    "calibration.one-point.loads": '["25 N"]',
}

MEASURES = """
[today]
option = "none"
[prices]
unit = 1.0
hour = 400.0
[[measure]]
name = "one point"
option = "one-point"
[[measure]]
name = "resistor 0.1 %"
cost = 0.04
changes = ["circuit.feedback=82 kohm +/- 0.1 %"]
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A folder with a space in its name and in those of its files, from which commands are run."""
    place = tmp_path / "my desk"
    place.mkdir()
    monkeypatch.chdir(place)
    for name, text in (("my case.toml", CASE), ("my root.py", ELEMENT), ("parts.toml", FEW_PARTS)):
        (place / name).write_text(text, encoding="utf-8")
    (place / "measures.toml").write_text(MEASURES, encoding="utf-8")
    try:
        yield place
    finally:
        ELEMENTS["sensor"].pop("printed root", None)


def run(*words: str) -> Result:
    """What a command line does."""
    return CliRunner().invoke(cli, list(words))


def asked(command: str, *more: str) -> str:
    """What a command prints with own elements, changes and a seed, in one line."""
    words = [command, "my case.toml", "--elements", "my root.py", "--seed", "7"]
    for key, value in CHANGES.items():
        words += ["--change", f"{key}={value}"]
    found = run(*words, *more)
    assert found.exit_code == 0, found.output
    ELEMENTS["sensor"].pop("printed root")
    return " ".join(found.output.split())


def rerun(command: str, option: str = "one-point") -> dict[str, Any]:
    """Yield of an option that a printed command gives, of the case as it was asked for."""
    program, verb, *words = shlex.split(command)
    assert (program, verb) == ("margin", "estimate")
    given = cli.commands["estimate"].make_context("estimate", words).params
    names = [field.name for field in dataclasses.fields(Asked)]
    case = load(given["case"], Asked(**{name: given[name] for name in names}))
    assert case.study.seed == 7 and case.name == CHANGES["case.name"]
    assert case.calibrations[1].loads == (25.0,)
    found = margin.estimate(case, budget=False, workers=1).yields.set_index("option")
    return dict(found.loc[option])


def test_that_of_a_sized_design_conforms(folder: Path) -> None:
    """`margin size` prints a command that runs its first design on the case as it was asked for."""
    text = asked("size", "--parts", "parts.toml", "--designs", "1", "--option", "one-point")
    assert rerun(text.partition("Run design 1: ")[2])["verdict"] == "conforms"


def test_that_of_a_set_of_measures_conforms(folder: Path) -> None:
    """`margin improve` prints a command that runs its answer on the case as it was asked for."""
    text = asked("improve")
    assert rerun(re.search(r"Run it: (.*?) \(row 'one-point'\)", text)[1])["verdict"] == "conforms"


def test_that_of_a_turning_value_is_at_the_turn(folder: Path) -> None:
    """`margin overturn` prints a command that brings the lower bound to the required yield, on the same draws."""
    text = asked("overturn", "--no-pairs", "--option", "none", "--units", "2000")
    found = rerun(text.partition("Run again: ")[2].partition(" Computed:")[0], "none")
    assert found["yield_low"] == pytest.approx(0.95, abs=0.01)


def test_words_of_a_changed_case_give_that_case() -> None:
    """Values of any type, changed once or again, come back from the words: the same case, seed and number of units."""
    case = load_case("cases/gripper_divider/case.toml")
    once = with_changes(case, {"study.seed": 3, "study.units": 500})
    changed = with_changes(once, {"study.seed": 5, "load.check": ["5 N", "9 N"], "study.draw": "all units"})
    words = words_of(changed, more={"case.notes": "$HOME `x`"})
    assert words[:7] == ["margin", "estimate", str(case.path), "--seed", "5", "--units", "500"]
    assert shlex.split(shlex.join(words)) == words
    given = dict(word.split("=", 1) for word in words if "=" in word)
    assert given == {"load.check": '["5 N", "9 N"]', "case.notes": "$HOME `x`"}
    again = with_changes(case, {**given, "study.seed": 5, "study.units": 500, "study.draw": "all units"})
    assert content_of(again) == content_of(changed) and again.study == changed.study


def test_what_was_changed_is_no_part_of_what_a_case_is() -> None:
    """A case is the same, and has the same draws, however it came to its values."""
    case = load_case("cases/gripper_divider/case.toml")
    same = margin.change(case, {"study.seed": case.study.seed})
    assert same == case and content_of(same) == content_of(case)
    assert same.changed and not case.changed
