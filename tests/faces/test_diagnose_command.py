"""`margin diagnose`: answer first, files, the same again, and one clear message for each bad input."""

from __future__ import annotations

import json
import shlex
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from bench_rows import bench_frame
from click.testing import CliRunner, Result
from pad_study import NONE, ONE_POINT, pad_case

import margin
from margin.case.types import Case
from margin.cli import cli
from margin.commands.diagnose import NOTHING_UNUSUAL, UNUSUAL
from margin.diagnosis import causes_found
from margin.errors import MarginError

CASE = """
[case]
unstated = "zero"
name = "Pad"
[load]
range = "1 N to 20 N"
[requirement]
permissible_error = "20 % of reading"
[sensor]
kind = "thin film"
sensitivity = "40 uS +/- 16 % (2 sigma) per unit, +/- 4 % (2 sigma) per mounting"
reference_load = "20 N"
exponent = "0.85 +/- 0.002"
offset_conductance = "0.2 uS"
hysteresis = "4 % +/- 0.2 %"
reload_scatter = "1 %"
[circuit]
kind = "inverting amplifier"
reference = "1.2 V"
feedback = "20 kohm +/- 1 %"
[[calibration]]
kind = "none"
[[calibration]]
kind = "one-point"
loads = ["10 N"]
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A case, a bench of six sensors, and a prototype that falls short by a third above 6 N; the working directory."""
    monkeypatch.chdir(tmp_path)
    Path("case.toml").write_text(CASE, encoding="utf-8")
    bench = bench_frame(sensors=6)
    bench.to_csv("bench.csv", index=False)
    low = bench[bench["sensor"] == "S0"].copy()
    low.loc[low["load_N"] > 6.0, "conductance_S"] *= 0.67
    low.to_csv("low.csv", index=False)
    return tmp_path


def run(*words: object) -> Result:
    """The command with these words."""
    return CliRunner().invoke(cli, ["diagnose", *map(str, words)])


def test_answer_comes_first_and_files_say_the_same(folder: Path) -> None:
    """The third line at most names what is unusual; page, JSON and CSV hold the same figures; the last line gives the
    same document again."""
    shown = run("low.csv", "--case", "case.toml", "--units", 1000, "--out", "report")
    assert shown.exit_code == UNUSUAL, shown.output
    told = " ".join(shown.output.split())
    assert told.startswith("Diagnosis of: L / S0 in low.csv Answer: Unusual:")
    assert "Bend is" in told or "Exponent is" in told
    names = {path.name for path in (folder / "report").iterdir()}
    assert {"diagnosis.html", "diagnosis.json", "figures.csv", "steps.csv", "error-over-load.svg"} <= names
    plain = json.loads((folder / "report" / "diagnosis.json").read_text(encoding="utf-8"))
    assert not plain["nothing_unusual"] and {"exponent", "bend"} & set(plain["unusual"])
    page = (folder / "report" / "diagnosis.html").read_text(encoding="utf-8")
    assert "does not say that nothing has changed" in page and "creep" in page
    assert len(pd.read_csv(folder / "report" / "figures.csv")) == len(plain["figures"])
    again = shlex.split(plain["computed"]["command"])
    assert again[:2] == ["margin", "diagnose"]
    assert run(*again[2:], "--out", "again", "--quiet").exit_code == UNUSUAL
    assert json.loads((folder / "again" / "diagnosis.json").read_text(encoding="utf-8")) == plain


@pytest.mark.parametrize("against", [("--case", "case.toml", "--units", 1000), ("--baseline", "bench.csv")])
def test_a_sensor_of_the_bench_is_ordinary(folder: Path, against: tuple[object, ...]) -> None:
    """A sensor of the same production shows nothing unusual, against the case and against the other sensors."""
    shown = run("bench.csv", "--sensor", "S1", *against)
    assert shown.exit_code == NOTHING_UNUSUAL, shown.output
    assert "Nothing unusual" in shown.output


def test_fitted_model_stands_for_its_bench(folder: Path) -> None:
    """A model made from the bench gives the bench's own comparison; once the bench has changed it is refused."""
    margin.characterise("bench.csv").save_model("fit.toml")
    by_model = margin.diagnose("low.csv", baseline="fit.toml")
    by_bench = margin.diagnose("low.csv", baseline="bench.csv")
    pd.testing.assert_frame_equal(by_model.figures, by_bench.figures)
    assert not by_model.nothing_unusual
    Path("bench.csv").write_text(Path("bench.csv").read_text(encoding="utf-8") + "\n", encoding="utf-8")
    with pytest.raises(MarginError, match=r"bench data 'bench\.csv' are changed"):
        margin.diagnose("low.csv", baseline="fit.toml")


def bad_inputs() -> list[Any]:
    """Arguments of `margin.diagnose` beside the data, what is done to the data, and the words of the message."""

    def kept(frame: pd.DataFrame) -> pd.DataFrame:
        return frame

    def one_reading(frame: pd.DataFrame) -> pd.DataFrame:
        return frame.iloc[[3]]

    def unloaded(frame: pd.DataFrame) -> pd.DataFrame:
        return frame.assign(load_N=np.where(frame["load_N"] > 1.0, -1.0, 0.0))

    def ratio(frame: pd.DataFrame) -> pd.DataFrame:
        return frame.rename(columns={"conductance_S": "ratio_mV_per_V"})

    def volts(frame: pd.DataFrame) -> pd.DataFrame:
        return frame.rename(columns={"conductance_S": "output"}).assign(output_unit="V/V")

    def codes(frame: pd.DataFrame) -> pd.DataFrame:
        return frame.rename(columns={"conductance_S": "code"}).assign(code=70_000 + frame["load_N"])

    def moved(frame: pd.DataFrame) -> pd.DataFrame:
        return frame[frame["load_N"] > 0.0].assign(load_N=lambda f: f["load_N"] * 1.3)

    def two(frame: pd.DataFrame) -> pd.DataFrame:
        return pd.concat([frame, frame.assign(sensor="S9")])

    case, bench = {"case": "case.toml"}, {"baseline": "bench.csv"}
    return [
        pytest.param({}, kept, r"no baseline: give the case", id="no baseline"),
        pytest.param(case, one_reading, r"no run has readings at two loads", id="one reading"),
        pytest.param(case, unloaded, r"no load above 0 N", id="no load"),
        pytest.param(case, ratio, r"holds a ratio, but the sensor of 'Pad' is a thin film", id="other kind"),
        pytest.param(case, volts, r"an output in 'V/V' cannot be compared with a load", id="wrong unit"),
        pytest.param(case, codes, r"code 70020 lies beyond those of the converter", id="no such code"),
        pytest.param(bench, moved, r"no load in common: .* 20 N; read the prototype", id="no common load"),
        pytest.param(bench, ratio, r"give the same quantity", id="other quantity"),
        pytest.param(case, two, r"holds 2 sensors \(S0, S9\): name the prototype", id="several sensors"),
        pytest.param({**case, "sensor": "S7"}, kept, r"no sensor 'S7'; there are 'S0'", id="no such sensor"),
        pytest.param({**case, "circuit": "divider"}, kept, r"no circuit 'divider'", id="no such circuit"),
        pytest.param({**case, "units": 50}, kept, r"units must be a whole number, 100 at least", id="few units"),
        pytest.param({**case, "confidence": 1.0}, kept, r"confidence must be from 0\.5", id="confidence"),
        pytest.param({"baseline": "nowhere.csv"}, kept, r"nowhere\.csv: there is no such file", id="no such file"),
    ]  # fmt: skip


@pytest.mark.parametrize(("given", "change", "words"), bad_inputs())
def test_bad_input_gives_one_clear_message(
    folder: Path, given: dict[str, Any], change: Any, words: str
) -> None:
    """Each bad input is refused with one message that says why and what to do."""
    data = change(pd.read_csv("low.csv", dtype={"run": str}))
    with pytest.raises(MarginError, match=words) as error:
        margin.diagnose(data, **given)
    assert "\n" not in str(error.value)


def test_unknown_option_of_reported_loads(folder: Path) -> None:
    """Loads that firmware reports need an option that the case has; without a name the first one is taken."""
    data = pd.read_csv("low.csv").rename(columns={"conductance_S": "output"}).assign(output_unit="N")
    data["output"] = data["load_N"] * 1.01
    with pytest.raises(MarginError, match=r"no calibration option 'two'; there are 'none', 'one-point'"):
        margin.diagnose(data, "case.toml", option="two", units=1000)
    assert margin.diagnose(data, "case.toml", units=1000, causes=False).found.baseline.option == "none"


def test_a_column_is_stated_as_the_refusal_says(folder: Path) -> None:
    """A load under a name of one's own is asked for in words that can be followed; the printed command has them too."""
    pd.read_csv("low.csv").rename(columns={"load_N": "P soll"}).to_csv("own names.csv", index=False)
    words = ["own names.csv", "--case", "case.toml", "--units", 1200, "--no-causes"]
    refused = run(*words)
    assert refused.exit_code == 2 and '--column load="P soll in N"' in refused.output
    found = run(*words, "--column", "load=P soll in N")
    assert found.exit_code == UNUSUAL, found.output
    again = shlex.split(" ".join(found.output.partition("Again:")[2].split()))
    assert again[again.index("--column") + 1] == "load=P soll in N"
    assert run(*again[2:]).output == found.output


def test_causes_stand_with_what_acts_alike_and_the_next_test(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A calibrated unit that reports a quarter less at every load: causes, classes and tests on screen, page and JSON;
    probabilities add up to 1; without causes asked for there are none."""
    for name, value in (("UNITS", 150), ("SIZES", 5), ("TEST_UNITS", 80), ("SAMPLES", 10)):
        monkeypatch.setattr(causes_found, name, value)
    data = pd.read_csv("low.csv").rename(columns={"conductance_S": "output"}).assign(output_unit="N")
    data["output"] = (
        0.75 * data["load_N"] * (1.0 + 0.01 * np.random.default_rng(1).standard_normal(len(data)))
    )
    data.to_csv("reported.csv", index=False)
    shown = run(
        "reported.csv", "--case", "case.toml", "--option", "one-point", "--units", 1000, "--out", "report"
    )
    assert shown.exit_code == UNUSUAL, shown.output
    assert "Causes:" in shown.output and "those of the catalogue" in " ".join(shown.output.split())
    plain = json.loads((folder / "report" / "diagnosis.json").read_text(encoding="utf-8"))["causes"]
    assert plain["ranked"]
    total = sum(one["probability"] for one in plain["causes"])
    assert total + plain["nothing_unusual"] + plain["none_of_the_catalogue"] == pytest.approx(1.0)
    assert (folder / "report" / "probability-by-cause.svg").is_file() and (
        folder / "report" / "tests.csv"
    ).is_file()
    bare = margin.diagnose("reported.csv", "case.toml", option="one-point", units=1000, causes=False)
    assert bare.causes.empty and "they were not asked for" in str(bare)


def test_readings_of_the_bare_sensor_rank_no_causes(folder: Path) -> None:
    """Where causes cannot be ranked the screen says why."""
    told = " ".join(str(margin.diagnose("low.csv", "case.toml", units=1000)).split())
    assert "Causes were not ranked: the readings are of the sensor by itself" in told
    told = " ".join(str(margin.diagnose("low.csv", baseline="bench.csv")).split())
    assert "Causes were not ranked: causes are ranked against a case" in told


def test_too_few_sensors_of_a_bench(folder: Path) -> None:
    """Two other sensors are no baseline."""
    data = pd.read_csv("bench.csv")
    with pytest.raises(MarginError, match=r"2 sensor\(s\); a baseline needs three at least"):
        margin.diagnose("low.csv", baseline=data[data["sensor"].isin(["S1", "S2"])])


def test_missing_figures_say_what_to_measure(folder: Path) -> None:
    """What the data cannot give stands on the screen with what to measure."""
    found = margin.diagnose(
        pd.read_csv("low.csv").query("branch == 'up' and mounting == 0"), "case.toml", units=1000
    )
    assert {"hysteresis", "zero return", "scatter after remounting", "creep"} <= set(found.missing["what"])
    assert "Not in the data:" in str(found) and "the same loads going down" in " ".join(str(found).split())


def test_pad_of_the_engine_may_be_given_as_a_case() -> None:
    """A case in memory serves as well as a file."""
    case: Case = pad_case(NONE, ONE_POINT, sensor={"sensitivity": "4 uS +/- 8 %"})
    data = bench_frame(sensors=1).assign(conductance_S=lambda f: f["conductance_S"] * 0.02)
    assert "margin diagnose" in margin.diagnose(data, case, units=1000).command
