"""The command line: exit codes, messages, files, and that nothing is half-written."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import click
import psutil
import pytest
from click.testing import CliRunner, Result

from margin.chain.registry import ELEMENTS
from margin.cli import cli
from margin.commands.common import (
    BAD_INPUT,
    CONFORMS,
    DOES_NOT_CONFORM,
    INTERRUPTED,
    faults_shown,
    require_place,
)

pytestmark = pytest.mark.usefixtures("undrawn")
"""Figures of a page are drawn where their command has tests of its own, and in tests/report."""

CASE = """
[case]
unstated = "zero"
[load]
range = "2 N to 20 N"
check = ["2 N", "10 N", "20 N"]
[requirement]
permissible_error = "{permissible}"
[sensor]
kind = "thin film"
sensitivity = "40 uS +/- 10 %"
reference_load = "10 N"
[circuit]
kind = "inverting amplifier"
reference = "1.2 V"
feedback = "10 kohm +/- 1 %"
[converter]
bits = 12
[study]
units = 400
"""


def invoke(*words: str) -> Result:
    return CliRunner().invoke(cli, list(words))


@pytest.fixture
def easy(tmp_path: Path) -> Path:
    """A case that any calibration meets."""
    path = tmp_path / "easy.toml"
    path.write_text(CASE.format(permissible="50 % of reading"), encoding="utf-8")
    return path


@pytest.fixture
def hard(tmp_path: Path) -> Path:
    """A case that none meets: less than a count is permitted."""
    path = tmp_path / "hard.toml"
    path.write_text(CASE.format(permissible="0.0001 N"), encoding="utf-8")
    return path


def test_exit_code_says_whether_an_option_conforms(easy: Path, hard: Path) -> None:
    """0 where an option conforms, 1 where none does; quiet prints nothing."""
    assert invoke("estimate", str(easy), "--quiet").exit_code == CONFORMS
    found = invoke("estimate", str(hard), "--quiet")
    assert found.exit_code == DOES_NOT_CONFORM
    assert found.output == ""


@pytest.mark.parametrize("width", [60, 80, 120])
def test_summary_fits_the_width_and_names_the_recommendation(
    width: int, easy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The printed summary has lines of at most COLUMNS and recommends the lowest cost."""
    monkeypatch.setenv("COLUMNS", str(width))
    found = invoke("estimate", str(easy))
    lines = found.output.splitlines()
    assert max(map(len, lines)) <= width
    assert any(line.startswith("Recommended: none") for line in lines)


def test_report_is_written_and_reread(easy: Path, tmp_path: Path) -> None:
    """`--out` writes page, JSON and CSV; a second run replaces its own files; a foreign folder is refused."""
    out = tmp_path / "report"
    assert invoke("estimate", str(easy), "--out", str(out)).exit_code == CONFORMS
    first = json.loads((out / "results.json").read_text(encoding="utf-8"))
    assert invoke("estimate", str(easy), "--out", str(out), "--seed", "5").exit_code == CONFORMS
    second = json.loads((out / "results.json").read_text(encoding="utf-8"))
    assert first != second
    foreign = tmp_path / "foreign"
    foreign.mkdir()
    (foreign / "thesis.txt").write_text("mine", encoding="utf-8")
    refused = invoke("estimate", str(easy), "--out", str(foreign))
    assert refused.exit_code == BAD_INPUT
    assert [p.name for p in foreign.iterdir()] == ["thesis.txt"]


def test_a_changed_value_moves_the_result(easy: Path) -> None:
    """`--change` replaces a value by dotted key, with its tolerance."""
    assert invoke("estimate", str(easy), "--change", "requirement.permissible_error=0.0001 N").exit_code == 1


def test_comparison_runs_both_cases_on_the_same_draws(easy: Path, tmp_path: Path) -> None:
    """A case compared with itself differs by nothing."""
    out = tmp_path / "both"
    found = invoke("compare", str(easy), str(easy), "--out", str(out))
    assert found.exit_code == CONFORMS
    rows = json.loads((out / "comparison.json").read_text(encoding="utf-8"))["differences"]
    assert rows
    assert all(row["difference"] == 0.0 for row in rows)


def test_comparison_takes_changes_for_one_side(easy: Path, tmp_path: Path) -> None:
    """One file serves both sides, with changes for both and for either; the page shows both design checks."""
    out = tmp_path / "sides"
    found = invoke(
        "compare", str(easy), str(easy), "--out", str(out), "--change", "sensor.current_limit=1 mA",
        "--change-first", "case.name=ten", "--change-second", "case.name=five",
        "--change-second", "circuit.feedback=5 kohm +/- 1 %", "--change-second", "sensor.current_limit=1 uA",
    )  # fmt: skip
    assert found.exit_code == CONFORMS
    document = json.loads((out / "comparison.json").read_text(encoding="utf-8"))
    assert (document["first"], document["second"]) == ("ten", "five")
    checks = {row["check"]: row for row in document["checks"]}
    headroom, current = checks["headroom at the largest load"], checks["sensor current"]
    assert headroom["value_first"] < headroom["value_second"]
    assert (current["limit_first"], current["limit_second"]) == (1e-3, 1e-6)
    assert (current["verdict_first"], current["verdict_second"]) == ("kept", "exceeded")
    assert "EXCEEDED" in found.output


def test_cases_that_cannot_be_compared_are_refused_before_they_are_drawn(
    easy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Other requirements, loads or options on the two sides: nothing is drawn."""

    def drawn(*args: object, **more: object) -> None:
        raise AssertionError("drawn")

    monkeypatch.setattr("margin.study.drawn_pair", drawn)
    for change, reason in (
        ("requirement.permissible_error=1 N", "different [requirement]"),
        ("load.check=['2 N', '20 N']", "different [load]"),
    ):
        found = invoke("compare", str(easy), str(easy), "--change-second", change)
        assert found.exit_code == BAD_INPUT
        assert reason in found.output
    words = [w for n in range(1, 6) for w in ("--change-second", f"calibration.{n}.name=other {n}")]
    found = invoke("compare", str(easy), str(easy), *words)
    assert found.exit_code == BAD_INPUT
    assert "no calibration option of the same name" in found.output


def test_check_shows_a_changed_case(easy: Path) -> None:
    """`check --change` reads the case with its changes, and refuses what the file could not have."""
    found = invoke("check", str(easy), "--change", "calibration.two point.loads=['3 N', '18 N']")
    assert found.exit_code == 0
    assert "calibration two-point: loads" not in found.output
    assert "calibration one-point: loads" in found.output
    refused = invoke("check", str(easy), "--change", "calibration.tow-point.reloads=5")
    assert refused.exit_code == BAD_INPUT
    assert 'did you mean "two-point"? options are 1 "none", 2 "tare"' in refused.output


def test_check_lists_how_a_case_was_read(easy: Path) -> None:
    """`check` shows the reading of tolerances, defaults and assumptions, and forecasts time and memory."""
    found = invoke("check", str(easy))
    assert found.exit_code == 0
    assert "rectangular (GUM 4.3.7)" in found.output
    assert "Defaults used:" in found.output
    assert "Forecast of `margin estimate` on this machine:" in found.output
    assert " at most, " in found.output
    assert "by array operations on " in found.output
    assert "memory: about " in found.output
    assert "plausible band" not in found.output


def test_check_counts_what_stands_at_plausible_bands(easy: Path) -> None:
    """A film without any effect stated counts six of its own and three conditions of use at bands."""
    text = easy.read_text(encoding="utf-8")
    easy.write_text(text.replace('unstated = "zero"', 'unstated = "plausible bands"'), encoding="utf-8")
    found = invoke("check", str(easy)).output
    assert "\n9 quantities count at plausible bands: state yours, or 0 for no such effect\n" in found


def test_a_first_case_is_drafted_and_checked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """`draft` prints a case, or writes it and says what to replace; `check` reads it; a second one is refused."""
    monkeypatch.chdir(tmp_path)
    words = ["draft", "--sensor", "thin film", "--circuit", "inverting amplifier", "--range", "2 N to 60 N"]
    printed = invoke(*words)
    assert printed.exit_code == 0 and printed.output.startswith("# First case")
    assert not list(tmp_path.iterdir())
    written = invoke(*words, "--out", "pad.toml", "--bands", "ours.toml")
    assert written.exit_code == 0
    assert "Written: pad.toml" in written.output and "circuit.feedback" in written.output
    assert sorted(file.name for file in tmp_path.iterdir()) == ["ours.toml", "pad.toml"]
    assert invoke("check", "pad.toml").exit_code == 0
    again = invoke(*words, "--out", "pad.toml")
    assert again.exit_code == BAD_INPUT
    assert "pad.toml: exists already; name another file, or replace it by --replace" in again.output
    assert invoke(*words, "--out", "pad.toml", "--replace").exit_code == 0


def test_an_incomplete_draft_is_answered_by_the_kinds_there_are() -> None:
    """Missing options are named, with each sensor and the circuits that accept it."""
    found = invoke("draft", "--sensor", "thin film")
    assert found.exit_code == BAD_INPUT
    assert "name --circuit, --range too" in found.output
    assert "strain-gauge bridge  bridge amplifier" in found.output


def test_schema_is_json(tmp_path: Path) -> None:
    """`schema` prints valid JSON, or writes it."""
    assert "properties" in json.loads(invoke("schema").output)
    path = tmp_path / "schema.json"
    assert invoke("schema", "--out", str(path)).exit_code == 0
    assert json.loads(path.read_text(encoding="utf-8")) == json.loads(invoke("schema").output)


BAD = {
    "no such file": ("estimate", "absent.toml"),
    "a folder": ("estimate", "."),
    "two cases with other requirements": ("compare", "easy.toml", "hard.toml"),
    "two cases with other loads": ("compare", "easy.toml", "wide.toml"),
    "unknown key": ("estimate", "easy.toml", "--change", "circuit.feedbak=1 kohm"),
    "no equals sign": ("estimate", "easy.toml", "--change", "circuit.feedback"),
    "wrong unit": ("estimate", "easy.toml", "--change", "circuit.feedback=10 N"),
    "no units": ("estimate", "easy.toml", "--units", "0"),
    "no workers": ("estimate", "easy.toml", "--workers", "0"),
    "negative seed": ("estimate", "easy.toml", "--seed", "-1"),
    "elements absent": ("estimate", "easy.toml", "--elements", "absent.py"),
    "elements that fail": ("estimate", "easy.toml", "--elements", "broken.py"),
    "elements in a folder": ("estimate", "easy.toml", "--elements", "."),
    "elements that are no text": ("estimate", "easy.toml", "--elements", "binary.toml"),
    "unknown command": ("guess", "easy.toml"),
    "report over a file": ("estimate", "easy.toml", "--out", "hard.toml"),
    "report below a file": ("compare", "easy.toml", "easy.toml", "--out", "hard.toml/report"),
    "schema over a folder": ("schema", "--out", "."),
    "schema in no folder": ("schema", "--out", "absent/schema.json"),
    "not a text": ("check", "binary.toml"),
    "an empty case": ("check", "empty.toml"),
    "a value that is no number": ("estimate", "easy.toml", "--change", "circuit.feedback=nan"),
    "a resistor below zero": ("estimate", "easy.toml", "--change", "circuit.feedback=-10 kohm"),
    "more units than can be": ("estimate", "easy.toml", "--units", "99999999999999999999"),
    "a seed beyond its range": ("estimate", "easy.toml", "--seed", "99999999999999999999"),
}


@pytest.mark.parametrize("words", BAD.values(), ids=BAD.keys())
def test_bad_input_gives_one_message_and_no_traceback(
    words: tuple[str, ...], easy: Path, hard: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Bad input exits with 2 and says what is wrong; nothing is written."""
    monkeypatch.chdir(easy.parent)
    (easy.parent / "broken.py").write_text("1 / 0\n", encoding="utf-8")
    (easy.parent / "binary.toml").write_bytes(bytes(range(256)))
    (easy.parent / "empty.toml").touch()
    wide = easy.read_text(encoding="utf-8").replace("2 N to 20 N", "2 N to 30 N")
    (easy.parent / "wide.toml").write_text(wide, encoding="utf-8")
    before = sorted(p.name for p in easy.parent.iterdir())
    found = invoke(*words)
    assert found.exit_code == BAD_INPUT
    assert found.output.strip()
    assert "Traceback" not in found.output
    assert "Errno" not in found.output
    assert sorted(p.name for p in easy.parent.iterdir()) == before


ELEMENT = '''
from dataclasses import dataclass
from typing import ClassVar
import numpy as np
import margin
from margin.chain.parameter import Value, parameter

@dataclass(frozen=True, kw_only=True)
class Root:
    """Conductance that grows with the root of the force."""
    kind: ClassVar[str] = "{kind}"
    output_kind: ClassVar[str] = "conductance"
    voltage_coefficient: ClassVar[float] = 0.0
    voltage_reference: ClassVar[float] = 1.0
    scale: Value = parameter("S", positive=True, doc="conductance at 1 N")

    def output(self, contact, setting):
        return self.scale * np.sqrt(np.maximum(contact.force, 0.0))

    def force_from(self, output, setting):
        return (np.maximum(output, 0.0) / self.scale) ** 2

margin.register("sensor", Root)
'''


def test_an_element_of_ones_own_runs_only_when_named(easy: Path) -> None:
    """A case may use a sensor that a named Python file registers, and is refused without it."""
    text = easy.read_text(encoding="utf-8")
    start, end = text.index("[sensor]"), text.index("[circuit]")
    own = easy.with_name("own.toml")
    own.write_text(
        text[:start] + '[sensor]\nkind = "square root"\nscale = "12 uS +/- 5 %"\n' + text[end:],
        encoding="utf-8",
    )
    file = easy.with_name("own_elements.py")
    file.write_text(ELEMENT.format(kind="square root"), encoding="utf-8")
    refused = invoke("estimate", str(own), "--quiet")
    assert refused.exit_code == BAD_INPUT
    assert "square root" in refused.stderr
    try:
        assert invoke("estimate", str(own), "--quiet", "--elements", str(file)).exit_code == CONFORMS
    finally:
        ELEMENTS["sensor"].pop("square root", None)


def test_help_loads_no_numerics() -> None:
    """`--help` needs none of the slow libraries: that is what lets it answer at once."""
    code = (
        "import sys\nfrom click.testing import CliRunner\nfrom margin.cli import cli\n"
        "assert CliRunner().invoke(cli, ['--help']).exit_code == 0\n"
        "print([m for m in ('numpy', 'scipy', 'pandas', 'matplotlib', 'pint', 'pydantic') if m in sys.modules])"
    )
    root = Path(__file__).parents[2]
    found = subprocess.run([sys.executable, "-c", code], cwd=root, capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"


@pytest.mark.skipif(sys.platform == "win32", reason="signals are sent otherwise there")
def test_an_interrupted_run_writes_nothing(easy: Path, tmp_path: Path) -> None:
    """Ctrl-C in a long run: one message, its own exit code, no file."""
    out = tmp_path / "interrupted"
    long = ["estimate", str(easy), "--units", "50000000", "--workers", "2", "--out", str(out)]
    process = subprocess.Popen(
        [sys.executable, "-m", "margin", *long],
        cwd=Path(__file__).parents[2],
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
        stderr=subprocess.PIPE,
        text=True,
        # a shell that runs these tests in the background has interrupts ignored
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    )
    # its own threads begin with the draws, however long the machine takes to get there
    while process.poll() is None and psutil.Process(process.pid).num_threads() < 2:
        time.sleep(0.05)
    process.send_signal(signal.SIGINT)
    _, message = process.communicate(timeout=120)
    assert process.returncode == INTERRUPTED
    assert message.strip() == "Interrupted: nothing was written."
    assert not out.exists() or not any(out.iterdir())


def test_a_folder_of_elements_is_told_from_no_file(
    easy: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`--elements FOLDER` says that it is a folder, and what is wanted."""
    monkeypatch.chdir(easy.parent)
    (easy.parent / "mine").mkdir()
    told = invoke("estimate", "easy.toml", "--elements", "mine").output
    assert told == "elements mine: is a folder; name the Python file in it that registers them\n"


def test_half_of_a_file_is_told_by_its_folder(capsys: pytest.CaptureFixture[str]) -> None:
    """A fault while writing names the folder, not the passing name of a half-written file."""
    with pytest.raises(SystemExit), faults_shown():
        raise OSError(28, "No space left on device", "report/.page.html.17.margin-part")
    assert capsys.readouterr().err.startswith("report: No space left on device; the disk is full")


def test_a_file_that_is_read_is_not_written_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A place for a file is refused where it is one that the command reads, or its folder may not be written."""
    read = tmp_path / "bench.csv"
    read.touch()
    with pytest.raises(click.UsageError, match="is a file that is read here"):
        require_place(tmp_path / "." / "bench.csv", "--model", (None, read))
    monkeypatch.setattr("os.access", lambda place, mode: False)
    with pytest.raises(click.UsageError, match="may not be written"):
        require_place(tmp_path / "pad.toml", "--model", (read,))
