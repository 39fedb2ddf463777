"""The command line under hard knocks: full disks, closed pipes, odd files, poor encodings, its own faults."""

from __future__ import annotations

import errno
import os
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner, Result

from margin.cli import cli
from margin.commands.common import BAD_INPUT, CONFORMS, INTERNAL_ERROR, require_place
from margin.commands.failures import TRACEBACK, is_of_input
from margin.commands.output import readable
from margin.report import folder

pytestmark = pytest.mark.usefixtures("undrawn")
"""Figures of a page are drawn where their command has tests of its own, and in tests/report."""

ROOT = Path(__file__).parents[2]


def invoke(*words: str, **variables: str) -> Result:
    """The command in this process."""
    return CliRunner().invoke(cli, list(words), env=variables)


def process(*words: str, **variables: str) -> subprocess.CompletedProcess[bytes]:
    """The command in a process of its own."""
    run = [sys.executable, "-m", "margin", *words]
    return subprocess.run(
        run, cwd=ROOT, env={**os.environ, **variables}, capture_output=True, check=False, timeout=120
    )


def test_the_summary_is_printed_though_writing_fails(
    case: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that is full when the report is written costs no result; the message names the place and the remedy."""
    out = tmp_path / "report"

    def full(*anything: Any) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(folder, "_write", full)
    found = invoke("estimate", str(case), "--out", str(out))
    assert found.exit_code == BAD_INPUT
    assert "Recommended: none" in found.stdout
    assert found.stderr == (
        f"{out}: No space left on device; the disk is full: make room, or name a place on another disk\n"
    )
    assert not out.exists()


def test_the_report_of_another_case_needs_replace(case: Path, tmp_path: Path) -> None:
    """Refused before anything is drawn; `--replace` replaces it."""
    other, out = tmp_path / "other.toml", tmp_path / "report"
    other.write_text(case.read_text(encoding="utf-8"), encoding="utf-8")
    rare = ("--out", str(out), "--budget", "1000", "--quiet")
    assert invoke("rare", str(case), *rare).exit_code == 0
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    refused = invoke("rare", str(other), *rare)
    assert refused.exit_code == BAD_INPUT
    assert "case.toml" in refused.output
    assert "--replace" in refused.output
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before
    assert invoke("rare", str(other), *rare, "--replace").exit_code == 0


def test_an_error_of_the_program_is_one_line(case: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Exit code 70 with what happened, where, and how to see the traceback; the variable shows it."""

    def broken(*anything: Any, **more: Any) -> None:
        raise KeyError("lost")

    monkeypatch.setattr("margin.study.estimate", broken)
    found = invoke("estimate", str(case))
    assert found.exit_code == INTERNAL_ERROR
    assert found.output.count("\n") == 1
    assert "KeyError: 'lost' (test_hard_knocks.py, line" in found.output
    assert TRACEBACK in found.output
    shown = invoke("estimate", str(case), **{TRACEBACK: "1"})
    assert shown.exit_code == INTERNAL_ERROR
    assert "Traceback (most recent call last)" in shown.output


def test_a_value_error_of_a_library_is_no_bad_input() -> None:
    """Bad input is what our code raises on purpose; what numpy or Python refuses is a fault of the program."""
    from margin.case.faults import CaseError
    from margin.study import load

    with pytest.raises(CaseError) as ours:
        load("no such file.toml")
    assert is_of_input(ours.value)
    for source in ("import numpy; numpy.zeros(2) + numpy.zeros(3)", "float('x')"):
        names: dict[str, Any] = {"__name__": "margin.somewhere"}
        with pytest.raises(ValueError, match="could not") as theirs:
            exec(source, names)
        assert not is_of_input(theirs.value)
    with pytest.raises(ValueError, match="on purpose") as purpose:
        exec("raise ValueError('on purpose')", {"__name__": "margin.somewhere"})
    assert is_of_input(purpose.value)


def test_an_error_outside_of_a_command_is_told_too() -> None:
    """What breaks before a command begins is exit code 70 and one line, never a traceback."""
    code = (
        "import click, margin.cli as c\n"
        "@c.cli.command()\ndef broken():\n    raise RuntimeError('outside')\n"
        "import sys; sys.argv = ['margin', 'broken']; c.main()"
    )
    found = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert found.returncode == INTERNAL_ERROR
    assert found.stderr.startswith("internal error: RuntimeError: outside")
    assert found.stderr.count("\n") == 1


@pytest.mark.skipif(sys.platform == "win32", reason="pipes close otherwise there")
def test_a_reader_that_goes_away_is_no_error(case: Path) -> None:
    """`margin check | head -1`: nothing on the error stream, exit code 0."""
    read, write = os.pipe()
    os.close(read)
    run = subprocess.run(
        [sys.executable, "-m", "margin", "check", str(case)],
        cwd=ROOT, stdout=write, stderr=subprocess.PIPE, check=False, timeout=120,
    )  # fmt: skip
    os.close(write)
    assert run.returncode == 0
    assert run.stderr == b""


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a device of Linux")
def test_a_full_standard_output_is_named(case: Path) -> None:
    """Output to a full disk: one message, exit code 2."""
    with open("/dev/full", "wb") as full:
        run = subprocess.run(
            [sys.executable, "-m", "margin", "check", str(case)],
            cwd=ROOT, stdout=full, stderr=subprocess.PIPE, check=False, timeout=120,
        )  # fmt: skip
    assert run.returncode == BAD_INPUT
    assert run.stderr.startswith(b"standard output: No space left on device; the disk is full")
    assert run.stderr.count(b"\n") == 1


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "utf-8"])
def test_an_encoding_that_lacks_characters_gets_readable_ones(encoding: str, case: Path) -> None:
    """Names of other scripts and signs of ours come out in any encoding of the terminal: of seven bits, of eight (which
    signs each has: `test_readable_substitutes`) and of all signs."""
    text = (
        case.read_text(encoding="utf-8").replace("[case]", '[case]\nname = "x"')
        + '[[calibration]]\nkind = "one-point"\n'
    )
    case.write_text(text + 'name = "5 ± 1 → é 力"\nloads = ["10 N"]\n', encoding="utf-8")
    found = process("check", str(case), PYTHONIOENCODING=encoding)
    assert found.returncode == 0, found.stderr
    refused = process("check", str(case) + "±→力", PYTHONIOENCODING=encoding)
    assert refused.returncode == BAD_INPUT
    assert b"there is no such file" in refused.stderr
    assert b"Traceback" not in refused.stderr


def test_readable_substitutes() -> None:
    """Signs get the words of the trade, letters lose accents, what is left becomes a question mark."""
    assert readable("5 ± 1 → µΩ °C ≥ é 力 \u200d", "ascii") == "5 +/- 1 -> uohm degC >= e ? "
    assert readable("5 ± 1 → é", "latin-1") == "5 ± 1 -> é"
    assert readable("é 力", None) == "é 力"
    assert readable("\udcff", "utf-8") == "?"


@pytest.mark.skipif(sys.platform == "win32", reason="special files of POSIX")
def test_special_files_are_refused_without_waiting(case: Path, tmp_path: Path) -> None:
    """Devices, pipes, sockets and loops of links as case or bench data: one message each, nothing hangs."""
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(str(tmp_path / "socket"))
        for name in ("pipe", "socket", "loop", "/dev/zero"):
            for command in ("check", "bench"):
                found = invoke(command, str(tmp_path / name))
                assert found.exit_code == BAD_INPUT, (command, name, found.output)
                assert found.output.count("\n") == 1, (command, name, found.output)
    told = invoke("estimate", str(case), "--out", "/dev/zero")
    assert told.output == (
        "/dev/zero: a device, pipe or socket, not a folder; name another folder for the report\n"
    )


@pytest.mark.skipif(sys.platform == "win32", reason="special files of POSIX")
def test_no_device_or_link_is_replaced_by_a_file(tmp_path: Path) -> None:
    """`--model` and `schema --out` name files: a device, a link or a name too long is refused."""
    (tmp_path / "link").symlink_to(tmp_path / "target")
    for place, told in (
        (Path("/dev/null"), "is a device, pipe or socket"),
        (tmp_path / "link", "is a symbolic link"),
        (tmp_path / ("x" * 300), "File name too long"),
    ):
        with pytest.raises(click.UsageError, match=told):
            require_place(place, "--model")


def test_a_case_without_tolerances_is_whole(
    case: Path, tmp_path: Path, recwarn: pytest.WarningsRecorder
) -> None:
    """Where nothing varies every option has a yield of 0 or 100 %, the report is written, nothing warns."""
    text = case.read_text(encoding="utf-8").replace(" +/- 10 %", "")
    case.write_text(text, encoding="utf-8")
    found = invoke("estimate", str(case), "--out", str(tmp_path / "report"))
    assert found.exit_code == CONFORMS, found.output
    assert "or nothing varies" in " ".join(found.output.split())
    assert (tmp_path / "report" / "report.html").is_file()
    assert not [each for each in recwarn if issubclass(each.category, RuntimeWarning)]
    for command in ("budget", "rare"):
        told = invoke(command, str(case))
        assert told.exit_code == BAD_INPUT
        assert told.output.startswith("nothing varies in this case")
    assert invoke("check", str(case)).exit_code == 0
    assert invoke("compare", str(case), str(case)).exit_code == CONFORMS
