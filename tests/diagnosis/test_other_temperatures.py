"""A prototype read at two temperatures: features, figures and causes that one temperature cannot give."""

from __future__ import annotations

import dataclasses
import json
import shlex
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

import margin
from distributions.errors import MarginError
from margin.bench import read_bench
from margin.case import Case
from margin.case.changes import with_changes
from margin.cli import cli
from margin.diagnosis import causes_found
from margin.diagnosis.baseline import from_case, from_units
from margin.diagnosis.catalogue import causes_of
from margin.diagnosis.comparison import compared
from margin.diagnosis.features import SOFTENING, condense, features_of
from margin.diagnosis.figures import Shape, figures_of
from margin.diagnosis.further_tests import further_tests
from margin.diagnosis.observation import Observation
from margin.diagnosis.plan import Hold, ObservationError, Plan, load_cycle
from margin.diagnosis.predictions import Predicted, predict
from margin.diagnosis.prototype import Prototype, prototypes_of
from margin.diagnosis.ranking import NOTHING, diagnose
from margin.diagnosis.situation import as_designed
from margin.diagnosis.stated_temperatures import stated_temperatures
from margin.diagnosis.taken import features_drawn, take
from tests.diagnosis.small_prototype import CYCLE, cause_named, drawn, small_case
from tests.pad_study import NONE, ONE_POINT, pad_case

WARM = load_cycle([6.0, 20.0, 40.0, 60.0], runs=2, temperature=45.0)
BOTH = dataclasses.replace(CYCLE, elsewhere=(WARM,))
"""The load cycle of the small pad at 25 degC, and two runs at 45 degC in the same mounting."""

COEFFICIENT, ZERO = "temperature coefficient of the sensor", "temperature coefficient of the zero"
RIVALS = (
    "loss of sensitivity", "moisture in the film", "other temperature than stated", "wrong resistor of the front end",
    "wider loop of the sensor", "zero shift of the sensor", "worn film", COEFFICIENT, ZERO,
)  # fmt: skip


@pytest.fixture(scope="module")
def case() -> Case:
    """The small pad, whose film conducts 0.2 % less per kelvin."""
    return with_changes(
        small_case(), {"sensor.temperature_coefficient": "-0.2 %/K +/- 0.06 %/K (2 sigma) per unit"}
    )


def predicted(case: Case, plan: Plan) -> Predicted:
    """Predictions for a few causes that lie near."""
    causes = [cause for cause in causes_of(case, plan) if cause.name in RIVALS]
    return predict(case, plan, causes=causes, units=150, sizes=5)


def test_changes_are_contrasts_of_errors_between_temperatures() -> None:
    """A reading 10 % higher when warm, 0.3 N more without load and 0.6 N more on the way down shows as level, zero and
    loop of the change, by the definition of the error written out."""
    cold = np.tile(CYCLE.of("load"), (4, 1))
    down = WARM.of("descending") * (WARM.of("load") > 0.0)
    warm = np.tile(1.1 * WARM.of("load") + 0.3 + 0.6 * down, (2, 1))
    values = condense(BOTH, cold, 60.0 * np.ones(len(CYCLE.hold.times)) if CYCLE.hold else None, [warm])
    found = dict(zip([f.name for f in features_of(BOTH)], values, strict=True))
    soft, load = SOFTENING * 60.0, np.array([6.0, 20.0, 40.0, 60.0])
    each = np.log((1.1 * load + soft) / (load + soft))
    assert abs(found["change to 45 degC"]) == pytest.approx(each.sum() / 2.0)
    assert found["change to 45 degC, without load"] == pytest.approx(0.3 / 60.0)
    loop = np.log((1.1 * load + 0.6 + soft) / (1.1 * load + soft))[:3]
    assert found["change to 45 degC, loop"] == pytest.approx(loop.sum() / np.sqrt(3.0))
    # the softening makes what is the same share of every load fall a little at low loads
    assert abs(found["change to 45 degC, slope over load"]) < 0.02 * abs(found["change to 45 degC"])


def test_other_temperatures_leave_the_features_of_the_usual_one(case: Case) -> None:
    """With and without further runs the features of the usual temperature are the same to the bit."""
    alone = features_drawn(as_designed(case), CYCLE, 30, 9)
    together = features_drawn(as_designed(case), BOTH, 30, 9)
    assert np.array_equal(together[:, : alone.shape[1]], alone)
    assert features_of(BOTH)[: alone.shape[1]] == features_of(CYCLE)
    assert together.shape[1] == alone.shape[1] + 4


def test_units_are_the_same_at_both_temperatures() -> None:
    """Without scatter a unit with -0.3 %/K, calibrated at 25 degC, reads 6 % lower at 45 degC: (1 - 0.06)^(1 / n)."""
    plain = pad_case(
        ONE_POINT,
        sensor={"sensitivity": "4 uS +/- 10 %", "exponent": 0.9, "temperature_coefficient": "-0.3 %/K"},
        converter={"bits": 0},
    )
    plan = dataclasses.replace(
        load_cycle([20.0, 40.0], runs=40, option="one-point"),
        elsewhere=(load_cycle([20.0, 40.0], runs=40, temperature=45.0, option="one-point"),),
    )
    found = take(as_designed(plain), plan, 25, 3)
    ratio = found.elsewhere[0][..., 1:3].mean(axis=(1, 2)) / found.runs[..., 1:3].mean(axis=(1, 2))
    # instruments scatter by a tenth of a percent in each of 80 readings
    assert ratio == pytest.approx(0.94 ** (1.0 / 0.9), abs=6e-4)


@given(st.floats(-0.02, 0.02), st.floats(-0.1, 0.1), st.floats(30.0, 80.0))
def test_figures_per_kelvin(per_kelvin: float, zero: float, temperature: float) -> None:
    """Change of the reading and of the zero are given per kelvin, at the loads common to both."""
    loads, more = np.array([0.0, 6.0, 20.0, 40.0]), np.array([0.0, 10.0, 20.0, 40.0, 55.0])
    part = Shape(
        more, np.zeros(5), np.zeros(2, dtype=np.intp), np.ones((2, 5), dtype=bool), None, None, temperature
    )
    shape = Shape(
        loads, np.zeros(4), np.zeros(1, dtype=np.intp), np.ones((1, 4), dtype=bool), None, None, 25.0, (part,)
    )
    warming = temperature - 25.0
    # what lies at other loads counts for nothing
    gain = np.array([1.0, 3.0, 1.0, 1.0, 0.2]) * np.exp(per_kelvin * warming)
    warm = np.tile(gain * more + zero * warming, (2, 1))
    figures, values = figures_of(shape, loads[None], None, [warm])
    found = {figure.name: (figure.unit, float(value)) for figure, value in zip(figures, values, strict=True)}
    span = f"25 to {temperature:g} degC"
    change = 100.0 * np.expm1(per_kelvin * warming) / warming
    assert found[f"reading, {span}"] == ("% per K", pytest.approx(change, rel=1e-9, abs=1e-9))
    assert found[f"zero, {span}"] == ("N per K", pytest.approx(zero, rel=1e-9, abs=1e-9))


def test_two_temperatures_find_what_one_does_not(case: Case) -> None:
    """Coefficients of sensor and zero that are wrong lead in at least seven of eight prototypes read at two
    temperatures, with the size in its interval; at 25 degC alone nothing is unusual in as many. Unchanged ones stay
    so in at least 35 of 40 (95 % promised; fewer by chance: 3 %)."""
    alone, both = predicted(case, CYCLE), predicted(case, BOTH)
    assert {COEFFICIENT, ZERO} & set(alone.names()) == set() and {COEFFICIENT, ZERO} < set(both.names())
    for name, size in ((COEFFICIENT, -0.003), (COEFFICIENT, 0.003), (ZERO, 0.001)):
        situation = cause_named(case, name).apply(as_designed(case), size)
        seen = drawn(situation, BOTH, 8, 31)
        warm = [diagnose(both, each) for each in seen]
        assert sum(one.ranking[0][0] == (name,) for one in warm) >= 7
        sizes = [next(c for c in one.causes if c.name == name) for one in warm]
        assert sum(one.low <= size <= one.high for one in sizes) >= 6
        cold = [diagnose(alone, Observation(CYCLE, each.reported, held=each.held)) for each in seen]
        assert sum(one.ranking[0][0] == (NOTHING,) for one in cold) >= 7
    kept = [
        diagnose(both, each).ranking[0][0] == (NOTHING,) for each in drawn(as_designed(case), BOTH, 40, 7)
    ]
    assert sum(kept) >= 35


def test_comparison_keeps_its_promise_at_two_temperatures(case: Case) -> None:
    """Of 200 unchanged prototypes read at two temperatures at most 5 % + 3 standard errors are unusual; of those with a
    coefficient off by 0.4 %/K nearly all, by the change of the reading."""
    like = prototypes_of(read_bench(bench()))[0]
    base = from_case(case, like, option="none", units=2000, seed=1)
    assert base.plan is not None and base.plan.elsewhere[0].runs == 2
    wrong = cause_named(case, COEFFICIENT).apply(as_designed(case), 0.004)
    counts = []
    for situation in (as_designed(case), wrong):
        seen = take(situation, base.plan, 200, 99)
        _, own = figures_of(like.shape, seen.runs, None, seen.elsewhere)
        found = [compared(dataclasses.replace(base, own=each)) for each in own]
        counts.append(sum(not each.nothing_unusual for each in found))
    assert counts[0] <= 200 * 0.05 + 3 * (200 * 0.05 * 0.95) ** 0.5
    assert counts[1] >= 190
    assert found[0].unusual[0].figure.name == "reading, 25 to 45 degC"


def test_further_tests_are_made_at_the_usual_temperature(case: Case) -> None:
    """The cycle again is that of the usual temperature, under the mounting that came last or a new one."""
    remounted = dataclasses.replace(WARM, mounting=(1, 1))
    plan = dataclasses.replace(CYCLE, elsewhere=(remounted,))
    again = next(test for test in further_tests(case, plan) if test.name == "the same cycle again")
    assert not again.cycle(plan).elsewhere and plan.last_mounting == 1
    assert np.isfinite(again.outcome(as_designed(case), plan, 3, 1)).all()


@pytest.mark.parametrize(
    ("part", "message"),
    [
        (dataclasses.replace(WARM, hold=Hold(20.0, (1.0, 10.0))), "no hold and no further temperatures"),
        (dataclasses.replace(WARM, option="one-point"), "the same calibration, age and quantity"),
        (dataclasses.replace(WARM, age=5.0), "the same calibration, age and quantity"),
    ],
)
def test_plans_of_other_temperatures_that_do_not_fit_are_refused(part: Plan, message: str) -> None:
    """What was read at another temperature belongs to the same prototype as it is."""
    with pytest.raises(ObservationError, match=message):
        dataclasses.replace(CYCLE, elsewhere=(part,))
    held = None if CYCLE.hold is None else np.ones(len(CYCLE.hold.times))
    with pytest.raises(ObservationError, match="each other temperature of the plan"):
        Observation(BOTH, np.ones((4, len(CYCLE.steps))), held=held)
    with pytest.raises(ObservationError, match=r"1 other temperature\(s\), the readings have 0"):
        condense(BOTH, np.ones((4, len(CYCLE.steps))), held)


LOADS = (0.0, 6.0, 20.0, 40.0, 60.0)


def bench(share: float = 1.0, temperature: float = 45.0, remounted: bool = False) -> pd.DataFrame:
    """Three runs at 25 degC that report what is applied, and two at another temperature that report a share of it."""
    rows = [
        {"sensor": "P", "mounting": int(remounted and r > 2), "run": r, "branch": branch, "load_N": load,
         "temperature_degC": 25.0 if r < 3 else temperature, "output": (share if r > 2 else 1.0) * load * noise,
         "output_unit": "N"}
        for r, noise in enumerate((1.0, 1.004, 0.996, 1.002, 0.998))
        for branch, loads in (("up", LOADS), ("down", LOADS[-2::-1]))
        for load in loads
    ]  # fmt: skip
    return pd.DataFrame(rows)


def read(frame: pd.DataFrame) -> Prototype:
    """The one unit of a frame."""
    return prototypes_of(read_bench(frame))[0]


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
