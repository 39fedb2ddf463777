"""How readings are computed: by array operations, by a compiled kernel, on an accelerator, as the options ask."""

from __future__ import annotations

import importlib.util
import json
import sys
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from device_on_host import host_device

import margin
from margin.backends.compiled import kept_code, machine_code
from margin.backends.compiled.operations import NotTraceable
from margin.cli import cli
from margin.commands.common import BAD_INPUT, CONFORMS
from margin.propagation.model import Model

pytestmark = pytest.mark.usefixtures("undrawn")
"""Figures of a page are drawn where their command has tests of its own, and in tests/report."""

needs_compiler = pytest.mark.skipif(
    importlib.util.find_spec("llvmlite") is None, reason="the compiler is not installed"
)
has_cupy = importlib.util.find_spec("cupy") is not None


def invoke(*words: str | Path) -> Result:
    return CliRunner().invoke(cli, ["estimate", *map(str, words)])


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--gpu", "--cluster", "2"), "on an accelerator or on a cluster, not on both"),
        (("--gpu", "--not-compiled"), "omit --not-compiled"),
    ],
)
def test_two_ways_at_once_are_refused(
    words: tuple[str, ...], told: str, case: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One line that says what, why and what to leave out; nothing is drawn or written."""
    monkeypatch.chdir(case.parent)
    found = invoke(case, *words, "--out", "report")
    assert found.exit_code == BAD_INPUT
    assert told in found.output
    assert len(found.output.splitlines()) == 1
    assert [path.name for path in case.parent.iterdir()] == ["case.toml"]


def test_a_case_that_the_accelerator_cannot_take_is_refused(
    case: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One line that names the option; nothing is written. The processor stands for the device here."""

    def refused(model: Model) -> None:
        raise NotTraceable("a branch on drawn values")

    monkeypatch.setattr("margin.estimates.evaluate.CudaSpace", lambda: host_device(tmp_path))
    monkeypatch.setattr("margin.backends.device.study_kernel.traced", refused)
    found = invoke(case, "--gpu", "--seed", "271", "--out", tmp_path / "report")
    assert found.exit_code == BAD_INPUT
    assert (
        "--gpu: this case cannot be compiled for the accelerator (a branch on drawn values)" in found.output
    )
    assert len(found.output.splitlines()) == 1
    assert not (tmp_path / "report").exists()


def test_what_an_accelerator_drew_is_told(
    case: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Summary, page and JSON of a run by `--gpu` say so; the processor stands for the device here."""
    monkeypatch.setattr("margin.estimates.evaluate.CudaSpace", lambda: host_device(tmp_path))
    out = tmp_path / "report"
    found = invoke(case, "--gpu", "--out", out)
    assert found.exit_code == CONFORMS, found.output
    assert "by a kernel on an accelerator" in " ".join(found.stdout.split())
    assert "by a kernel on an accelerator" in (out / "report.html").read_text(encoding="utf-8")
    assert json.loads((out / "results.json").read_text(encoding="utf-8"))["computed"]["path"] == "device"


@needs_compiler
@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no mode of a folder in this sense")
def test_a_refused_cache_is_noted_beside_the_results(
    case: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A cache folder that others can write is logged, for the error stream by default (Python library reference,
    logging.lastResort); the summary stays as it is."""
    monkeypatch.setattr(kept_code, "_logged", set())
    cache = tmp_path / "cache"
    monkeypatch.setenv(kept_code.FOLDER_VARIABLE, str(cache))
    clean = invoke(case, "--compiled")
    assert caplog.messages == []
    cache.chmod(0o777)
    machine_code._made.clear()
    found = invoke(case, "--compiled")
    assert found.exit_code == CONFORMS
    assert found.stdout == clean.stdout
    assert f"Kept machine code not used: {cache} can be written by other users" in caplog.text


@pytest.mark.skipif(has_cupy, reason="there is an accelerator's library")
def test_an_accelerator_that_is_not_there_is_told_in_one_line(case: Path) -> None:
    """The message names the option, the reason and the mend."""
    found = invoke(case, "--gpu")
    assert found.exit_code == BAD_INPUT
    (line,) = found.output.splitlines()
    assert line.startswith("--gpu: no accelerator can be used")
    assert "install the extra 'gpu'" in line


def test_a_kernel_that_cannot_be_had_is_told_in_one_line(case: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a compiler `--compiled` is refused, and what is decided by itself goes on by array operations."""
    monkeypatch.setattr("margin.backends.compiled.choose.can_compile", lambda: False)
    found = invoke(case, "--compiled")
    assert found.exit_code == BAD_INPUT
    (line,) = found.output.splitlines()
    assert line.startswith("--compiled: ")
    assert "llvmlite" in line
    assert invoke(case, "--quiet").exit_code == CONFORMS


@needs_compiler
def test_report_and_summary_say_by_what_readings_were_computed(case: Path, tmp_path: Path) -> None:
    """A compiled run says so in summary, page and JSON; by array operations, the rule, the JSON alone says so."""
    told = {}
    for option in ("--compiled", "--not-compiled"):
        out = tmp_path / option
        found = invoke(case, option, "--out", out)
        assert found.exit_code == CONFORMS, found.output
        page = (out / "report.html").read_text(encoding="utf-8")
        computed = json.loads((out / "results.json").read_text(encoding="utf-8"))["computed"]
        summary = " ".join(found.output.split())
        told[option] = ("by a compiled kernel" in summary, "compiled kernel" in page, computed["path"])
    assert told == {"--compiled": (True, True, "kernel"), "--not-compiled": (False, False, "arrays")}


@needs_compiler
def test_both_ways_draw_the_same_units(case: Path) -> None:
    """Errors differ by the rounding of exponentials and logarithms alone."""
    one, other = (
        margin.estimate(margin.load(case), budget=False, compiled=way).results for way in (True, False)
    )
    assert (one.path, other.path) == ("kernel", "arrays")
    np.testing.assert_allclose(one.samples["error_N"], other.samples["error_N"], rtol=1e-9, atol=1e-9)


def test_the_time_is_told_beside_the_results(case: Path, tmp_path: Path) -> None:
    """The time goes to the error stream: neither the summary nor a file depends on it."""
    out = tmp_path / "report"
    found = invoke(case, "--out", out)
    assert found.stderr.startswith("Took ")
    assert "Took" not in found.stdout
    assert all("Took" not in path.read_text(encoding="utf-8") for path in out.iterdir())
    assert invoke(case, "--quiet").output == ""
