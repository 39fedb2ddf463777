"""`margin bench`: exit codes, messages, files."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from bench_rows import bench_frame
from click.testing import CliRunner, Result

from margin.bench_study import characterise
from margin.cli import cli

CIRCUITS = """
[amplifier]
kind = "inverting amplifier"
reference = "1 V"
feedback = "56 kohm"
"""

CASE = """
[case]
unstated = "zero"
[load]
range = "2 N to 20 N"
[requirement]
permissible_error = "10 % of reading"
[sensor]
kind = "thin film"
sensitivity = "40 uS +/- 10 %"
reference_load = "10 N"
[circuit]
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
    "not a table": (("bench.circuits.toml",), "column 'load'"),
    "unknown circuit": (("bench.csv", "--circuit", "divider"), "the data hold amplifier"),
    "unknown interface": (("bench.csv", "--interface", "wood"), "the data contain silicone"),
    "no circuits file": (("bench.csv", "--circuits", "absent.toml"), "absent.toml: there is no such file"),
    "circuits without the circuit": (("bench.csv", "--circuits", "other.toml"), "add a table [amplifier]"),
    "circuit that does not fit": (("bench.csv", "--circuits", "wrong.toml"), "does not fit its readings"),
    "load without unit": (("bench.csv", "--reference-load", "20"), "needs a unit"),
    "load below zero": (("bench.csv", "--reference-load", "-3 N"), "above 0 N"),
    "confidence of one": (("bench.csv", "--confidence", "1"), "--confidence"),
    "unknown kind": (("bench.csv", "--sensor-kind", "foam"), "thin film"),
    "no such case": (("bench.csv", "--case", "absent.toml"), "there is no such file"),
    "calibration without a case": (("bench.csv", "--calibration", "none"), "give --case"),
    "model without a folder": (("bench.csv", "--model", "nowhere/pad.toml"), "there is no folder nowhere"),
    "unknown calibration": (
        ("bench.csv", "--case", "case.toml", "--calibration", "ten"),
        "no calibration option 'ten' to look ahead to; there are 'none', 'tare'",
    ),
    "model over a folder": (("bench.csv", "--model", "foreign"), "--model foreign: is a folder"),
    "report below a file": (("bench.csv", "--out", "bench.csv/report"), "bench.csv is a file, not a folder"),
    "foreign folder": (("bench.csv", "--out", "foreign"), "mine.txt"),
    "model over the data": (("bench.csv", "--model", "./bench.csv"), "is a file that is read here"),
    "no load": (("unloaded.csv",), "unloaded.csv: no usable reading under load"),
    "a load that cannot be": (("huge.csv",), "huge.csv, line 3, column 'load_N': outside -1e+12 to 1e+12"),
}


@pytest.mark.parametrize(("words", "told"), BAD.values(), ids=BAD.keys())
def test_bad_input_gives_one_clear_message(words: tuple[str, ...], told: str, bench: Path) -> None:
    """Bad input exits with 2, says what is wrong and writes nothing."""
    (bench / "foreign").mkdir()
    (bench / "foreign" / "mine.txt").write_text("x", encoding="utf-8")
    (bench / "other.toml").write_text(CIRCUITS.replace("amplifier]", "divider]"), encoding="utf-8")
    wrong = CIRCUITS.replace('reference = "1 V"', 'reference = "3 V"\nbias_ratio = 0.9')
    (bench / "wrong.toml").write_text(wrong, encoding="utf-8")
    (bench / "case.toml").write_text(CASE, encoding="utf-8")
    (bench / "unloaded.csv").write_text("load_N,conductance_S\n0,1e-6\nnan,2e-6\n", encoding="utf-8")
    (bench / "huge.csv").write_text("load_N,conductance_S\n1,1e-6\n1e300,2e-6\n", encoding="utf-8")
    before = sorted(str(path) for path in bench.rglob("*"))
    found = invoke(*words)
    assert found.exit_code == 2
    assert told in found.output
    assert "Traceback" not in found.output
    assert sorted(str(path) for path in bench.rglob("*")) == before


def test_a_long_file_is_condensed(bench: Path) -> None:
    """`--condense` finds what single readings give, says how many there were, and leaves out rows it cannot read."""
    with Path("bench.csv").open("a", encoding="utf-8") as file:
        file.write("a row that is none\n")
    words = ("bench.csv", "--reference-load", "5 N", "--out", "report")
    assert invoke(*words).exit_code == 2
    found = invoke(*words, "--condense")
    assert found.exit_code == 0, found.output
    told = " ".join(found.output.split())
    assert "readings condensed into" in told
    assert "1 row cannot be read and is left out: " in told
    document = json.loads(Path("report/bench.json").read_text(encoding="utf-8"))
    lines = Path("bench.csv").read_text(encoding="utf-8").splitlines()
    assert document["data"]["readings"] == len(lines) - 2


def test_a_frame_is_not_condensed() -> None:
    """What is in memory already needs no condensing: one message."""
    with pytest.raises(ValueError, match="in memory already"):
        characterise(bench_frame(sensors=2, mountings=1, cycles=2), condense=True)
