"""Sets of measures judged by draws: common ones for screening, others for confirming."""

from __future__ import annotations

import dataclasses

import numpy as np
from pad_study import EVERY_LEVEL, NONE, ONE_POINT, pad_case

from margin.design.measures import Engine, Measure, Measures
from margin.design.measures.ledger import paired

STUDY = {"units": 12_800, "outer": None, "draw": "until decided"}
CASE = pad_case(
    NONE,
    ONE_POINT,
    **{
        **EVERY_LEVEL,
        "requirement": {"permissible_error": "9 % of reading", "yield": "90 %"},
        "study": STUDY,
    },
)
MEASURES = Measures(
    "one-point",
    (
        Measure("grade", changes=(("circuit.feedback", "60 kohm +/- 0.1 %"),)),
        Measure("impossible", changes=(("option.loads", '["90 N"]'),)),
        Measure("station", changes=(("station.reference_gain", "0 %"),), seconds=3.0),
        Measure("none", option="none"),
    ),
)
"""Unlike a file of measures, one of these is refused by the case."""


def test_sets_are_screened_on_common_draws_and_confirmed_on_others() -> None:
    """Screens of all sets hold the same groups of units, so that changes are paired; a confirmation has other draws."""
    engine = Engine(CASE, MEASURES, workers=1)
    today, grade = engine.screen(()), engine.screen((0,))
    assert today is not None and grade is not None and today.shares is not None and grade.shares is not None
    assert today.shares.shape == grade.shares.shape == (128,) and today.units == 8192
    change = paired(grade, today)
    alone = grade.reached.high - grade.reached.low + today.reached.high - today.reached.low
    assert change.high - change.low < 0.5 * alone
    confirmed = engine.confirm((), 0.95)
    assert confirmed.confidence == 0.95 and confirmed.units > 8192
    first = np.asarray(confirmed.shares)[:128]
    assert not np.array_equal(first, today.shares)
    assert confirmed.bound.low <= today.bound.high and today.bound.low <= confirmed.bound.high
    assert confirmed.bound.value < confirmed.reached.value


def test_a_glance_is_a_smaller_screen() -> None:
    """It draws a quarter of the units, and its interval holds what the screen finds."""
    engine = Engine(CASE, MEASURES, workers=1)
    glance, screen = engine.glance((0,)), engine.screen((0,))
    assert glance is not None and screen is not None and 4 * glance.units == screen.units
    assert glance.reached.low <= screen.reached.value <= glance.reached.high


def test_a_set_that_the_case_refuses_is_no_set() -> None:
    """A load beyond the range makes a set impossible: it has neither yield nor station time."""
    engine = Engine(CASE, MEASURES, workers=1)
    assert engine.screen((1,)) is None and engine.glance((1,)) is None and engine.seconds((1,)) is None


def test_station_time_is_that_of_the_calibration_in_force_and_of_the_measures() -> None:
    """No calibration takes no time; a measure's own seconds add to it."""
    engine = Engine(CASE, MEASURES, workers=1)
    today = engine.seconds(())
    assert today is not None and today > 0.0
    assert engine.seconds((3,)) == 0.0 and engine.seconds((2,)) == today + 3.0


def test_calibration_options_are_glanced_at_together_as_one_by_one() -> None:
    """A set has the same yield and bound whether its option is judged alone or beside the others."""
    two = dataclasses.replace(
        MEASURES,
        measures=(
            *MEASURES.measures,
            Measure("averaged", changes=(("option.reloads", "2"),)),
        ),
    )
    together = Engine(CASE, two, workers=1)
    alone = Engine(CASE, dataclasses.replace(two, measures=two.measures[:3] + two.measures[4:]), workers=1)
    assert together.glance((3,)) is not None
    assert together.glance((0, 4)) is not None and together.glance((0, 3)) is not None
    for chosen, as_one in (((0,), (0,)), ((0, 4), (0, 3))):
        one, other = together.glance(chosen), alone.glance(as_one)
        assert one is not None and other is not None
        assert (one.reached, one.bound, one.units) == (other.reached, other.bound, other.units)
    assert together.glance((0, 3, 4)) == together.glance((0, 3))
    assert together.glance((1,)) is None and together.glance((1, 3)) is None
