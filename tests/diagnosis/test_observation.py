"""Readings of a prototype and the features that they are condensed to."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from margin.diagnosis.observation import (
    SOFTENING,
    Observation,
    ObservationError,
    condense,
    load_cycle,
    observation_of,
)


def test_a_gain_is_the_same_error_at_every_load() -> None:
    """A reading 20 % low differs by ln 0.8 where the load is far above the softening, and by nothing without load."""
    plan = load_cycle([30.0, 600.0, 60000.0], runs=2)
    reported = np.broadcast_to(0.8 * plan.of("load"), (2, len(plan.steps)))
    found = dict(zip([f.name for f in plan.features], condense(plan, reported), strict=True))
    assert found["error at 60000 N up"] == pytest.approx(np.log((0.8 + SOFTENING) / (1.0 + SOFTENING)))
    assert found["error at no load, before"] == 0.0
    assert found["loop at 600 N"] == 0.0


def test_errors_and_differences_determine_the_mean_errors() -> None:
    """There are as many errors and differences as steps, and a loop is its descending less its ascending error."""
    plan = load_cycle([5.0, 20.0, 60.0], runs=3, hold=100.0)
    rng = np.random.default_rng(1)
    reported = plan.of("load") * (1.0 + 0.01 * rng.normal(size=(3, len(plan.steps))))
    features = condense(plan, reported)
    assert sum(f.kind != "scatter" for f in plan.features) == len(plan.steps)
    soft = SOFTENING * 60.0
    each = np.log((reported + soft) / (plan.of("load") + soft)).mean(axis=0)
    place = [f.name for f in plan.features].index("loop at 5 N")
    down, up = plan.features[place].steps
    assert features[place] == pytest.approx(each[down] - each[up])


def test_a_table_of_readings_keeps_order_branch_and_run() -> None:
    """Rows become runs by steps; a missing reading stays missing and is left out of the mean."""
    frame = pd.DataFrame(
        {
            "load": [0.0, 10.0, 20.0, 10.0, 0.0, 0.0, 10.0, 10.0, 0.0],
            "value": [0.0, 9.0, 19.0, 10.0, 0.1, 0.0, 9.2, 10.2, 0.1],
            "branch": ["up", "up", "up", "down", "down", "up", "up", "down", "down"],
            "run": [1, 1, 1, 1, 1, 2, 2, 2, 2],
        }
    )
    found = observation_of(frame)
    assert [s.label for s in found.plan.steps][2:] == ["20 N up", "10 N down", "no load, after"]
    assert np.isnan(found.reported[1, 2])
    assert np.all(np.isfinite(found.features))


@pytest.mark.parametrize(
    ("frame", "message"),
    [
        ({"load": [1.0]}, "column 'value' is missing"),
        ({"load": [1.0], "value": ["x"]}, "value of row 1 is no number"),
        ({"load": [1.0], "value": [1.0], "branch": ["left"]}, "must be 'up' or 'down'"),
        ({"load": [0.0], "value": [1.0]}, "at least one load above 0 N"),
    ],
)
def test_readings_that_cannot_be_used_are_refused(frame: dict[str, list[object]], message: str) -> None:
    """One clear message names what is wrong."""
    with pytest.raises(ObservationError, match=message):
        observation_of(pd.DataFrame(frame))


def test_readings_of_another_shape_are_refused() -> None:
    """Readings must be runs by steps."""
    with pytest.raises(ObservationError, match="runs by steps"):
        Observation(load_cycle([10.0], runs=2), np.zeros((1, 3)))
