"""Readings of a prototype and the features that they are condensed to."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from margin.diagnosis.features import SOFTENING, condense, features_of
from margin.diagnosis.observation import Observation, observation_of
from margin.diagnosis.plan import Hold, ObservationError, Plan, load_cycle


def test_a_gain_is_the_same_error_at_every_load() -> None:
    """A reading 20 % low differs by ln 0.8 where the load is far above the softening, and by nothing without load."""
    plan = load_cycle([30.0, 600.0, 60000.0], runs=2)
    reported = np.broadcast_to(0.8 * plan.of("load"), (2, len(plan.steps)))
    found = dict(zip([f.name for f in features_of(plan)], condense(plan, reported), strict=True))
    soft = SOFTENING * 60000.0
    each = np.log((0.8 * np.array([30.0, 600.0, 60000.0]) + soft) / (np.array([30.0, 600.0, 60000.0]) + soft))
    # the level over n loads has equal weights of unit length
    assert abs(found["error"]) == pytest.approx(abs(each.sum()) / np.sqrt(3.0))
    assert found["error at no load, before"] == 0.0
    assert found["loop"] == pytest.approx(0.0, abs=1e-12)


def test_contrasts_determine_the_mean_errors() -> None:
    """There are as many contrasts as steps, orthonormal in each group, so that the mean errors follow from them; the
    level of the loop is the mean of descending less ascending errors."""
    plan = load_cycle([5.0, 20.0, 60.0], runs=3, hold=100.0)
    rng = np.random.default_rng(1)
    reported = plan.of("load") * (1.0 + 0.01 * rng.normal(size=(3, len(plan.steps))))
    features = condense(plan, reported)
    contrasts = [k for k, f in enumerate(features_of(plan)) if f.kind == "contrast"]
    assert len(contrasts) == len(plan.steps)
    weights = np.zeros((len(contrasts), len(plan.steps)))
    for row, k in enumerate(contrasts):
        weights[row, list(features_of(plan)[k].steps)] = features_of(plan)[k].weights
    soft = SOFTENING * 60.0
    each = np.log((reported + soft) / (plan.of("load") + soft)).mean(axis=0)
    each[plan.of("load") == 0.0] = reported.mean(axis=0)[plan.of("load") == 0.0] / 60.0
    assert np.linalg.solve(weights, features[contrasts]) == pytest.approx(each)
    level = [f.name for f in features_of(plan)].index("loop")
    down, up = each[[6, 5]], each[[1, 2]]
    assert abs(features[level]) == pytest.approx(abs((down - up).sum()) / np.sqrt(2.0))


def test_scatters_are_standard_deviations_at_their_level() -> None:
    """Readings that differ by the run, by the mounting, or one by one, show in the scatter of that level alone."""
    steps = load_cycle([10.0, 20.0, 40.0], runs=1).steps
    plan = Plan(steps, 6, mounting=(0, 0, 0, 1, 1, 1))
    load = plan.of("load")
    names = [f.name for f in features_of(plan)]

    def scatter(gain: np.ndarray, name: str) -> float:
        return float(np.exp(condense(plan, gain * load)[names.index(name)]))

    runs = 1.0 + np.array([-0.01, 0.0, 0.01, -0.01, 0.0, 0.01])[:, None]
    mountings = 1.0 + np.array([-0.01, -0.01, -0.01, 0.01, 0.01, 0.01])[:, None]
    assert scatter(runs, "scatter from run to run") == pytest.approx(0.01, rel=0.03)
    assert scatter(runs, "scatter after remounting") < 2e-4
    assert scatter(mountings, "scatter after remounting") == pytest.approx(0.01 * np.sqrt(2.0), rel=0.03)
    assert scatter(mountings, "scatter from run to run") < 2e-4
    assert scatter(runs, "scatter within a run at high loads") < 5e-4


def test_the_drift_of_a_hold_is_its_slope() -> None:
    """A reading that grows by 2 % a decade of time drifts by that; a plan with a hold asks for its readings."""
    plan = Plan(load_cycle([50.0], runs=1).steps, 1, hold=Hold(50.0, (1.0, 10.0, 100.0)))
    held = 50.0 * (1.0 + 0.02 * np.array([0.0, 1.0, 2.0]))
    found = condense(plan, plan.of("load")[None], held)[-1]
    assert found == pytest.approx(np.log(1.04) / 2.0, rel=0.01)
    with pytest.raises(ObservationError, match="has a hold"):
        condense(plan, plan.of("load")[None])
    with pytest.raises(ObservationError, match="one reading for each time"):
        Observation(plan, plan.of("load")[None])
    with pytest.raises(ObservationError, match="ascend"):
        Hold(10.0, (3.0, 1.0))
    with pytest.raises(ObservationError, match="above 0 N"):
        Hold(0.0, (1.0, 3.0))
    with pytest.raises(ObservationError, match="a mounting each"):
        Plan(plan.steps, 3, mounting=(0, 1))


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
