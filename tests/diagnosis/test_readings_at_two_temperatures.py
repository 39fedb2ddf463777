"""Files with runs at two temperatures: how they are grouped, what is said of them, and the command."""

from __future__ import annotations

import json
import shlex
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

import margin
from distributions.errors import MarginError
from margin.case import Case
from margin.case.changes import with_changes
from margin.cli import cli
from margin.diagnosis import causes_found
from margin.diagnosis.baseline import from_case, from_units
from margin.diagnosis.catalogue import causes_of
from margin.diagnosis.predictions import predict
from margin.diagnosis.ranking import diagnose
from margin.diagnosis.situation import as_designed
from margin.diagnosis.stated_temperatures import stated_temperatures
from margin.diagnosis.taken import take
from tests.diagnosis.small_prototype import CYCLE, cause_named, drawn
from tests.diagnosis.two_temperatures import BOTH, COEFFICIENT, RIVALS, ZERO, bench, read, tempered
from tests.pad_study import NONE, ONE_POINT, pad_case


@pytest.fixture(scope="module")
def case() -> Case:
    """The small pad, whose film conducts 0.2 % less per kelvin."""
    return tempered()


def test_runs_are_grouped_by_temperature_and_mountings_continue() -> None:
    """Usual is the temperature of most runs; of the others each has its own group, with the number of its mounting."""
    one = read(bench())
    assert one.temperature == 25.0 and one.shape.runs == 3 and one.shape.mountings == 1
    assert [part.temperature for part in one.shape.elsewhere] == [45.0]
    assert one.shape.elsewhere[0].mounting.tolist() == [0, 0] and one.elsewhere[0].shape == (2, 9)
    assert read(bench(remounted=True)).shape.elsewhere[0].mounting.tolist() == [1, 1]
    three = bench()
    three.loc[three["run"] == 4, "temperature_degC"] = 5.0
    assert [part.temperature for part in read(three).shape.elsewhere] == [5.0, 45.0]
    assert read(three).runs_elsewhere == "1 run at 5 degC, 1 run at 45 degC"


def test_measured_units_are_compared_at_one_temperature() -> None:
    """Against a bench runs at other temperatures are set aside, and a note says so."""
    units = [read(bench(share)) for share in (0.98, 1.0, 1.01)]
    base = from_units(read(bench()), units, "bench.csv")
    assert base.own.shape == base.units.shape[1:] and not any("degC" in f.name for f in base.figures)
    assert any("2 runs at 45 degC, set aside beside those at 25 degC" in note for note in base.notes)


def test_temperatures_that_the_case_does_not_state_are_cautioned(case: Case) -> None:
    """The span of use, station and design curve; runs beyond it stand with their temperature and that span, runs inside
    it without a word. Nothing is set aside."""
    wide = with_changes(case, {"use.temperature": "5 degC to 50 degC"})
    assert stated_temperatures(wide) == (5.0, 50.0)
    told = " ".join(str(margin.diagnose(bench(0.95), wide, option="none", units=1500, causes=False)).split())
    assert "Temperatures: 3 runs at 25 degC, compared with 2 runs at 45 degC." in told
    assert "Caution: Runs at" not in told and "set aside" not in told.lower()
    far = margin.diagnose(bench(0.95, 400.0), wide, option="none", units=1500, causes=False)
    assert "Runs at 400 degC: use, calibration and design curve of the case lie at 5 to 50 degC." in " ".join(
        str(far).split()
    )


def test_readings_without_a_temperature_are_said(case: Case) -> None:
    """Some empty cells leave their readings out with a caution; an empty column is refused with what to do."""
    some = bench()
    some.loc[some["run"] == 4, "temperature_degC"] = np.nan
    told = " ".join(str(margin.diagnose(some, case, option="none", units=1500, causes=False)).split())
    assert "Caution: 9 readings without a temperature are left out: fill the column" in told
    assert "compared with 1 run at 45 degC" in told
    with pytest.raises(
        MarginError, match=r"no finite value in 'temperature_degC'\): fill the column"
    ) as error:
        margin.diagnose(some.assign(temperature_degC=np.nan), case, option="none")
    assert "\n" not in str(error.value)


def test_readings_left_out_are_named_in_a_caution(case: Case) -> None:
    """A reading that is no number stands with its line and reason; one of another unit is nobody's matter here."""
    some = bench()
    some.loc[3, "output"] = np.nan
    told = " ".join(str(margin.diagnose(some, case, option="none", units=1500, causes=False)).split())
    assert "Caution: 1 reading is left out (line 3: no finite value in 'output'): check the readings." in told
    both = pd.concat([bench(), some.assign(sensor="Q")], ignore_index=True)
    other = margin.diagnose(both, case, sensor="P", option="none", units=1500, causes=False)
    assert "left out" not in str(other)


@pytest.mark.parametrize(("factor", "cautioned"), [(1.0, False), (1e-3, True), (2.0, True)])
def test_loads_outside_the_load_range_are_cautioned(case: Case, factor: float, cautioned: bool) -> None:
    """Loads in kN taken as N, or twice the range, are told with the range of the case; those within it are not."""
    frame = bench()
    frame["load_N"] *= factor
    found = margin.diagnose(frame, case, option="none", units=1500, causes=False)
    told = f"Caution: Loads up to {60.0 * factor:.3g} N, where the load range of the case is 2 to 60 N"
    assert (told in " ".join(str(found).split())) == cautioned
    assert cautioned or "load range" not in str(found)


def test_other_loads_at_another_temperature_are_set_aside(case: Case) -> None:
    """Runs without a load in common with those at the usual temperature cannot be compared: a caution says so."""
    frame = bench()
    warm = (frame["run"] > 2) & (frame["load_N"] > 0.0)
    frame["load_N"] = frame["load_N"] + 3.0 * warm
    found = margin.diagnose(frame, case, option="none", units=1500, causes=False)
    assert "Set aside: 2 runs at 45 degC, with no load going up in common" in " ".join(str(found).split())
    assert not found.figures["figure"].str.contains("degC").any()


def test_a_new_zero_needs_the_unloaded_reading_at_every_temperature() -> None:
    """Where firmware takes a new zero, runs at another temperature without an unloaded reading are refused."""
    rezeroed = pad_case({**ONE_POINT, "rezero": True}, sensor={"sensitivity": "4 uS +/- 8 %"})
    frame = bench()
    frame = frame[(frame["run"] < 3) | (frame["load_N"] > 0.0)]
    with pytest.raises(MarginError, match="takes a new zero before each use"):
        margin.diagnose(frame, rezeroed, units=1500)


def test_a_case_without_spread_of_temperature_states_a_point() -> None:
    """Use, station and curve at 25 degC are one temperature."""
    assert stated_temperatures(pad_case(NONE)) == (25.0, 25.0)


CASE = """
[case]
unstated = "zero"
name = "Pad"
[load]
range = "2 N to 60 N"
[requirement]
permissible_error = "20 % of reading"
[sensor]
kind = "thin film"
sensitivity = "4 uS +/- 5 % (2 sigma)"
reference_load = "20 N"
reload_scatter = "1 %"
temperature_coefficient = "-0.2 %/K +/- 0.06 %/K (2 sigma) per unit"
[circuit]
kind = "inverting amplifier"
reference = "1.2 V"
feedback = "60 kohm +/- 1 %"
[use]
temperature = "10 degC to 50 degC"
[[calibration]]
kind = "one-point"
loads = ["30 N"]
"""


def drawn_readings(case: Case, more: float) -> pd.DataFrame:
    """Readings as `bench` has them of one drawn pad whose sensitivity changes by so much more per kelvin."""
    wrong = cause_named(case, COEFFICIENT).apply(as_designed(case), more)
    plan = from_case(case, read(bench()), units=100).plan
    assert plan is not None
    found = take(wrong, plan, 1, 5)
    frame = bench()
    return frame.assign(output=np.concatenate([found.runs[0].ravel(), found.elsewhere[0][0].ravel()]))


def test_a_file_with_two_temperatures_goes_through_the_command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A calibrated pad that loses 0.4 %/K more than the stated 0.2: screen, page and JSON say both temperatures, and
    the temperature coefficient leads; the line that is printed gives the same figures again."""
    monkeypatch.chdir(tmp_path)
    Path("case.toml").write_text(CASE, encoding="utf-8")
    few = [cause for cause in causes_of(margin.load("case.toml")) if cause.name in RIVALS]
    monkeypatch.setattr(causes_found, "predict", partial(predict, causes=few))
    for name, value in (("UNITS", 100), ("SIZES", 4), ("TEST_UNITS", 40), ("SAMPLES", 5)):
        monkeypatch.setattr(causes_found, name, value)
    drawn_readings(margin.load("case.toml"), -0.004).to_csv("warm.csv", index=False)
    words = ["diagnose", "warm.csv", "--case", "case.toml", "--units", "1200"]
    shown = CliRunner().invoke(cli, [*words, "--out", "report"])
    assert shown.exit_code == 1, shown.output
    told = " ".join(shown.output.split())
    assert "Reading, 25 to 45 degC is -0." in told and "set aside" not in told
    assert f"Most probable cause: {COEFFICIENT}" in told
    assert "Temperatures: 3 runs at 25 degC, compared with 2 runs at 45 degC." in told
    plain = json.loads(Path("report/diagnosis.json").read_text(encoding="utf-8"))
    assert plain["temperatures"] == [
        {"temperature_degC": 25.0, "runs": 3}, {"temperature_degC": 45.0, "runs": 2},
    ]  # fmt: skip
    assert plain["age_h"] == 0.0
    assert (
        plain["causes"]["causes"][0]["cause"] == COEFFICIENT and "%/K" in plain["causes"]["causes"][0]["size"]
    )
    page = Path("report/diagnosis.html").read_text(encoding="utf-8")
    assert "compared with 2 runs at 45 degC" in page and "triangles: means at other temperatures" in page
    again = shlex.split(plain["computed"]["command"])
    cold = CliRunner().invoke(cli, [*again[1:], "--no-causes", "--quiet", "--out", "again"])
    assert cold.exit_code == 1
    compared_again = json.loads(Path("again/diagnosis.json").read_text(encoding="utf-8"))
    assert compared_again["figures"] == plain["figures"]


def test_causes_that_one_temperature_cannot_tell_are_listed(case: Case) -> None:
    """Coefficients are no candidates at one temperature; they stand with the causes that the readings cannot show."""
    alone = predict(case, CYCLE, causes=[cause_named(case, "loss of sensitivity")], units=100, sizes=3)
    found = causes_found.CausesFound(diagnose(alone, drawn(as_designed(case), CYCLE, 1, 1)[0]), ())
    assert {COEFFICIENT, ZERO} <= set(found.hidden)
    assert {COEFFICIENT, ZERO} <= {one.name for one in causes_of(case, BOTH)}
    assert not {COEFFICIENT, ZERO} & {one.name for one in causes_of(case, CYCLE)}
