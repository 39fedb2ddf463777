"""A prototype read at two temperatures: features, figures and causes that one temperature cannot give."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from margin.bench import read_bench
from margin.case import Case
from margin.diagnosis.baseline import from_case
from margin.diagnosis.catalogue import causes_of
from margin.diagnosis.comparison import compared
from margin.diagnosis.features import SOFTENING, condense, features_of
from margin.diagnosis.figures import Shape, figures_of
from margin.diagnosis.further_tests import further_tests
from margin.diagnosis.observation import Observation
from margin.diagnosis.plan import Hold, ObservationError, Plan, load_cycle
from margin.diagnosis.predictions import Predicted, predict
from margin.diagnosis.prototype import prototypes_of
from margin.diagnosis.ranking import NOTHING, diagnose
from margin.diagnosis.situation import as_designed
from margin.diagnosis.taken import features_drawn, take
from tests.diagnosis.small_prototype import CYCLE, cause_named, drawn
from tests.diagnosis.two_temperatures import BOTH, COEFFICIENT, RIVALS, WARM, ZERO, bench, tempered
from tests.pad_study import ONE_POINT, pad_case


@pytest.fixture(scope="module")
def case() -> Case:
    """The small pad, whose film conducts 0.2 % less per kelvin."""
    return tempered()


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
