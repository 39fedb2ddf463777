"""`margin bench`: exit codes, messages, files."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from bench_rows import bench_frame
from click.testing import CliRunner, Result

from margin.cli import cli

CIRCUITS = """
[amplifier]
kind = "inverting amplifier"
reference = "1 V"
feedback = "56 kohm"
"""


def invoke(*words: str) -> Result:
    return CliRunner().invoke(cli, ["bench", *words])


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with bench.csv (voltages) and bench.circuits.toml, in which the test runs."""
    frame = bench_frame(sensors=2, mountings=1, cycles=2, column="voltage_V", turned=lambda g: 56e3 * g)
    frame.to_csv(tmp_path / "bench.csv", index=False)
    (tmp_path / "bench.circuits.toml").write_text(CIRCUITS, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_summary_report_and_model(bench: Path) -> None:
    """One command prints the summary and writes report and model; the circuits are found beside the data."""
    found = invoke("bench.csv", "--out", "report", "--model", "pad.toml", "--reference-load", "5 N")
    assert found.exit_code == 0, found.output
    assert found.output.startswith("Bench of 2 thin film sensors")
    assert "Report: report" in found.output and "Model: pad.toml" in found.output
    assert json.loads(Path("report/bench.json").read_text(encoding="utf-8"))["kind"] == "thin film"
    assert 'reference_load = "5 N"' in Path("pad.toml").read_text(encoding="utf-8")


def test_quiet_prints_nothing(bench: Path) -> None:
    """With --quiet only the files and the exit code remain."""
    found = invoke("bench.csv", "--quiet", "--model", "pad.toml")
    assert (found.exit_code, found.output) == (0, "")
    assert Path("pad.toml").is_file()


BAD = {
    "no such file": (("absent.csv",), "there is no such file"),
    "a folder": ((".",), "a folder, not a file"),
    "not a table": (("bench.circuits.toml",), "column 'load_N'"),
    "unknown circuit": (("bench.csv", "--circuit", "divider"), "the data hold amplifier"),
    "unknown interface": (("bench.csv", "--interface", "wood"), "the data hold silicone"),
    "no circuits file": (("bench.csv", "--circuits", "absent.toml"), "absent.toml: cannot be read"),
    "circuits without the circuit": (("bench.csv", "--circuits", "other.toml"), "add a table [amplifier]"),
    "circuit that does not fit": (("bench.csv", "--circuits", "wrong.toml"), "does not fit its readings"),
    "load without unit": (("bench.csv", "--reference-load", "20"), "needs a unit"),
    "load below zero": (("bench.csv", "--reference-load", "-3 N"), "above 0 N"),
    "confidence of one": (("bench.csv", "--confidence", "1"), "--confidence"),
    "unknown kind": (("bench.csv", "--sensor-kind", "foam"), "thin film"),
    "no such case": (("bench.csv", "--case", "absent.toml"), "there is no such file"),
    "calibration without a case": (("bench.csv", "--calibration", "none"), "give --case"),
    "model without a folder": (("bench.csv", "--model", "nowhere/pad.toml"), "there is no folder nowhere"),
    "foreign folder": (("bench.csv", "--out", "foreign"), "mine.txt"),
}


@pytest.mark.parametrize(("words", "told"), BAD.values(), ids=BAD.keys())
def test_bad_input_gives_one_clear_message(words: tuple[str, ...], told: str, bench: Path) -> None:
    """Bad input exits with 2, says what is wrong and writes nothing."""
    (bench / "foreign").mkdir()
    (bench / "foreign" / "mine.txt").write_text("x", encoding="utf-8")
    (bench / "other.toml").write_text(CIRCUITS.replace("amplifier]", "divider]"), encoding="utf-8")
    wrong = CIRCUITS.replace('reference = "1 V"', 'reference = "3 V"\nbias_ratio = 0.9')
    (bench / "wrong.toml").write_text(wrong, encoding="utf-8")
    before = sorted(str(path) for path in bench.rglob("*"))
    found = invoke(*words)
    assert found.exit_code == 2
    assert told in found.output
    assert "Traceback" not in found.output
    assert sorted(str(path) for path in bench.rglob("*")) == before
