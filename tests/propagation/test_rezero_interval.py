"""A zero that firmware keeps for an interval along a load history: when it is taken, and what is refused."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pad_study import NONE, TWO_POINT, errors_of, pad_case

from margin.case.faults import CaseError
from margin.case.types import LoadHistory
from margin.propagation.along_history import zero_steps
from margin.service.field import actions_of
from tests.propagation.test_load_history import along

SENSOR = {"sensitivity": "4 uS", "exponent": 1.0, "zero_return": "5 %"}
GRIPS = ["60 N for 5 s", "0 N for 1 s", "10 N for 2 s, read", "0 N for 3 s"]


def taken_in_a_loop(loads: list[float], seconds: list[int], every: int) -> list[int]:
    """Step of the zero in force, by a clock in whole seconds that runs second by second."""
    zero, timer, found = -1, 0, []
    for step, (load, lasting) in enumerate(zip(loads, seconds, strict=True)):
        for _ in range(lasting):
            timer += 1
        if load == 0 and timer >= every:
            zero, timer = step, 0
        found.append(zero)
    return found


@settings(max_examples=60, deadline=None)
@given(
    steps=st.lists(
        st.tuples(st.sampled_from([0.0, 0.0, 5.0, 20.0]), st.integers(1, 9)), min_size=1, max_size=40
    ),
    every=st.integers(0, 40),
)
def test_a_zero_is_taken_at_the_first_unloaded_step_after_its_interval(
    steps: list[tuple[float, int]], every: int
) -> None:
    """The steps are those of a clock that runs second by second, for any loads, times and interval."""
    loads, seconds = (list(column) for column in zip(*steps, strict=True))
    history = LoadHistory(tuple(loads), tuple(float(s) for s in seconds), (True,) * len(loads), 10.0)
    assert zero_steps(history, float(every)).tolist() == taken_in_a_loop(loads, seconds, every)


def test_the_sum_of_many_steps_reaches_its_interval() -> None:
    """Ten steps of 0.1 s are 1 s, though their floating sum is less."""
    history = LoadHistory((0.0,) * 10, (0.1,) * 10, (True,) * 10, 10.0)
    assert zero_steps(history, 1.0)[-1] == 9


def test_the_error_is_that_of_the_zero_in_force() -> None:
    """Errors of the linear pad follow from a plain loop over its steps: residue under the load less that at the zero.

    What is left of the largest load falls back with the time constant of the recovery towards the present load; the
    zero in force is the residue at the end of the step at which it was taken.
    """
    every, repeat, tau = 25.0, 8, 10.0
    options = (
        {**NONE, "name": "each", "rezero": True},
        {**NONE, "name": "kept", "rezero": "every 25 s"},
        {**NONE, "name": "never", "rezero": "every 10 h"},
    )
    history = {"repeat": repeat, "recovery": f"{tau:g} s"}
    found = errors_of(along(GRIPS, *options, sensor=SENSOR, history=history, converter={"bits": 0}))
    loads, seconds = [60.0, 0.0, 10.0, 0.0] * repeat, [5.0, 1.0, 2.0, 3.0] * repeat
    expected: dict[str, list[float]] = {"each": [], "kept": [], "never": []}
    for name, interval in (("each", 0.0), ("kept", every), ("never", 36e3)):
        held, zero, since, now = 0.0, 0.0, 0.0, 0.0
        for load, lasting in zip(loads, seconds, strict=True):
            now += lasting
            held = load + max(held - load, 0.0) * np.exp(-lasting / tau)
            left = 0.05 * (held - load)
            if load == 0.0 and now - since >= interval:
                zero, since = left, now
            if load == 10.0:
                expected[name].append(left - zero)
    for name, errors in found.items():
        # every unit is the same here
        assert errors[0].ravel() == pytest.approx(expected[name], rel=1e-3), name
    assert not np.allclose(expected["each"], expected["kept"])
    assert not np.allclose(expected["never"], expected["kept"])


def test_an_interval_shorter_than_every_step_is_a_new_zero_each_time() -> None:
    """Noise of the zeros included, the readings are those of rezero = true."""
    options = (
        {**TWO_POINT, "name": "each", "rezero": True},
        {**TWO_POINT, "name": "short", "rezero": "every 1 ms"},
    )
    sensor = {**SENSOR, "sensitivity": "4 uS +/- 5 %"}
    found = errors_of(along(GRIPS, *options, sensor=sensor, converter={"bits": 12, "noise": 0.7}))
    assert np.array_equal(found["each"], found["short"])


def test_the_noise_of_a_kept_zero_is_shared() -> None:
    """Readings against one zero have its noise in common; against one zero each they have only their own."""
    options = {**NONE, "name": "each", "rezero": True}, {**NONE, "name": "kept", "rezero": "every 1 h"}
    steps = ["0 N for 1 h", *["10 N for 2 s, read", "0 N for 3 s"] * 2]
    # a signal without load, below which the converter does not cut the noise off
    sensor = {"sensitivity": "4 uS", "exponent": 1.0, "offset_conductance": "1 uS"}
    case = along(steps, *options, sensor=sensor, converter={"bits": 12, "noise": 2.0}, study={"units": 800})
    found = {name: np.corrcoef(errors[:, 0, 0, :, 0].T)[0, 1] for name, errors in errors_of(case).items()}
    assert found["kept"] == pytest.approx(0.5, abs=0.12)
    assert found["each"] == pytest.approx(0.0, abs=0.12)


def test_the_field_offers_a_new_zero_before_each_placement_to_a_zero_that_is_kept() -> None:
    """An option with an interval can still be re-zeroed more often; one that is re-zeroed each time cannot."""
    for written, offered in (("every 60 s", True), (True, False)):
        case = along(["0 N for 1 s", "10 N for 2 s, read"], {**NONE, "rezero": written}, sensor=SENSOR)
        (option,) = case.calibrations
        actions = {action.name: action for action in actions_of(case, option, (0.0, 1.0), 1.0)}
        assert ("re-zero" in actions) is offered
        if offered:
            assert actions["re-zero"].course.option.rezero_every == 0.0


@pytest.mark.parametrize(
    ("written", "words"),
    [
        ("every 0 s", "must be longer than 0 s"),
        ("every -5 s", "must be longer than 0 s"),
        ("every minute", 'a number is needed before "minute"'),
        ("every 5 N", "5 N"),
        ("every 60", "a time needs a unit"),
        ("every 60 s +/- 5 s", "is not a single value"),
        ("60 s", 'write true, false, or such as "every 60 s"'),
        ("often", "does not say when a new zero is taken"),
        (60, "does not say when a new zero is taken"),
    ],
)
def test_an_interval_that_is_none_is_refused(written: Any, words: str) -> None:
    """One message with the key, the value and what to write."""
    with pytest.raises(CaseError, match="rezero") as error:
        along(GRIPS, {**NONE, "rezero": written}, sensor=SENSOR)
    assert len(error.value.faults) == 1
    assert words in str(error.value)


def test_an_interval_without_a_history_is_refused() -> None:
    """Readings by themselves have no clock: the message names both ways out."""
    with pytest.raises(CaseError, match="the case has none") as error:
        pad_case({**NONE, "rezero": "every 60 s"})
    (fault,) = error.value.faults
    assert fault.mend == 'write "rezero = true" for a new zero before each use, or add a [history]'


def test_a_tare_with_an_interval_is_refused() -> None:
    """As with a zero before each use."""
    with pytest.raises(CaseError, match="a tare removes nothing"):
        along(GRIPS, {"kind": "tare", "rezero": "every 60 s"}, sensor=SENSOR)
