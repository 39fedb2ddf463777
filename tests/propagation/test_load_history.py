"""A load history of a case: what it equals where nothing is remembered, what is remembered, and what is refused."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pad_study import NONE, ONE_POINT, errors_of, only, pad_case

from margin.backends.run import run
from margin.case import Case, load_case
from margin.case.faults import CaseError

SENSOR = {"sensitivity": "4 uS +/- 5 %", "exponent": "0.85 +/- 0.02"}
CYCLE = ["10 N for 2 s, read", "40 N for 3 s, read", "0 N for 8 s"]


def along(
    steps: list[str], *options: dict[str, Any], history: dict[str, Any] | None = None, **tables: Any
) -> Case:
    """The pad along a history."""
    given = {
        "load": {"range": "2 N to 60 N", "check": None},
        "use": {"temperature": "25 degC", "readings": None, "conditions": 1, "loadings": 1},
        "history": {"steps": steps, **(history or {})},
        "study": {"units": 60},
    }
    merged = {**given, **{name: {**given.get(name, {}), **table} for name, table in tables.items()}}
    return pad_case(*(options or (NONE,)), **merged)


def apart(load: str, *options: dict[str, Any], **tables: Any) -> Case:
    """The pad read at one load by itself."""
    given = {"load": {"check": [load]}, "study": {"units": 60}}
    merged = {**given, **{name: {**given.get(name, {}), **table} for name, table in tables.items()}}
    return pad_case(*(options or (NONE,)), **merged)


def test_one_step_is_the_static_study() -> None:
    """One placement of 7 s after a rest: creep at a dwell of 7 s, on the ascending branch, unit by unit."""
    sensor = {**SENSOR, "creep": "5 % +/- 1 %", "hysteresis": "3 %", "reload_scatter": "1 %"}
    history = errors_of(along(["20 N for 7 s, read"], NONE, ONE_POINT, sensor=sensor))
    static = errors_of(apart("20 N", NONE, ONE_POINT, sensor=sensor, use={"dwell": "7 s"}))
    for name, found in history.items():
        assert found == pytest.approx(static[name], abs=1e-4)


def test_the_descending_branch_is_that_of_the_static_study() -> None:
    """Down from the top of the range without creep: the branch of a use whose direction is down."""
    sensor = {**SENSOR, "hysteresis": "4 % +/- 1 %"}
    history = only(along(["60 N for 1 s", "20 N for 1 s, read"], sensor=sensor))
    assert history == pytest.approx(only(apart("20 N", sensor=sensor, use={"direction": "down"})), abs=1e-9)


def test_the_circuit_and_the_converter_are_those_of_every_reading() -> None:
    """Noise, offset and staircase act on each reading along the history as on one by itself."""
    tables: dict[str, Any] = {
        "sensor": SENSOR, "converter": {"bits": 8}, "circuit": {"offset": "0 mV +/- 2 mV"},
    }  # fmt: skip
    history = only(along(["20 N for 1 s, read"], **tables))
    assert history == pytest.approx(only(apart("20 N", **tables)), abs=1e-9)


def test_what_is_remembered_raises_the_error() -> None:
    """Grips that follow each other creep on: the tenth reads more than the first, and a rest takes it back."""
    sensor = {"sensitivity": "4 uS", "creep": "5 %"}
    steps = ["20 N for 1 s, read", "0 N for 0.2 s"]
    found = only(along(steps, sensor=sensor, history={"repeat": 10}))[0, 0, 0, :, 0]
    assert np.all(np.diff(found) > 0.0)
    rested = only(along([steps[0], "0 N for 100 h"], sensor=sensor, history={"repeat": 10}))[0, 0, 0, :, 0]
    assert np.ptp(rested) < 0.01 * np.ptp(found)


def test_readings_of_a_placement_share_its_scatter() -> None:
    """The load grows without being taken off: one draw; taken off and put on again: another."""
    sensor = {"sensitivity": "4 uS", "exponent": 1.0, "reload_scatter": "2 %"}
    steps = ["20 N for 1 s, read", "40 N for 1 s, read", "0 N for 1 s"]
    found = only(along(steps, sensor=sensor, history={"repeat": 2}))[:, 0, 0]
    share = found / np.array([20.0, 40.0])
    assert share[:, :, 0] == pytest.approx(share[:, :, 1], rel=1e-6)
    assert np.abs(np.corrcoef(share[:, 0, 0], share[:, 1, 0])[0, 1]) < 0.4


def test_a_filter_lags_behind_a_short_step() -> None:
    """A step of one time constant (60 kohm x 10 uF) shows 63.2 % of a load's signal; a long one all of it."""
    tables: dict[str, Any] = {
        "sensor": {"sensitivity": "4 uS", "exponent": 1.0},
        "circuit": {"capacitor": "10 uF"},
    }
    short = only(along(["0 N for 1 min", "40 N for 0.6 s, read"], **tables))[0, 0, 0, 0, 0]
    assert short == pytest.approx(-40.0 * np.exp(-1.0), rel=1e-6)
    long = only(along(["0 N for 1 min", "40 N for 1 min, read"], **tables))[0, 0, 0, 0, 0]
    assert long == pytest.approx(0.0, abs=1e-5)


def test_a_new_zero_is_taken_at_the_unloaded_step_before() -> None:
    """What the last grip left of its zero return is removed, where the pad is unloaded just before the next one."""
    sensor = {"sensitivity": "4 uS", "exponent": 1.0, "zero_return": "5 %"}
    steps = ["60 N for 5 s", "0 N for 1 s", "10 N for 1 ms, read"]
    options = {**NONE, "name": "plain"}, {**NONE, "name": "zeroed", "rezero": True}
    errors = errors_of(along(steps, *options, sensor=sensor, history={"recovery": "10 s"}))
    left = 0.05 * (60.0 * np.exp(-0.1) - 10.0)
    assert errors["plain"].ravel() == pytest.approx(left, rel=1e-3)
    # the zero was 0.05 * 60 * exp(-0.1): what remains is the smaller residue under the load
    assert errors["zeroed"].ravel() == pytest.approx(-0.5, rel=2e-3)


@pytest.mark.parametrize(
    "steps",
    [["20 N for 1 s, read", "60 N for 1 min", "0 N for 1 s"], ["20 N for 1 s, read", "60 N for 1 min"]],
)
def test_a_unit_is_at_rest_until_its_first_unloaded_step(steps: list[str]) -> None:
    """A reading before any unloaded step is held against the zero of the rest, and not against a later step."""
    sensor = {"sensitivity": "4 uS", "exponent": 1.0, "creep": "5 %", "zero_return": "5 %"}
    options = {**NONE, "name": "plain"}, {**NONE, "name": "zeroed", "rezero": True}
    errors = errors_of(along(steps, *options, sensor=sensor, converter={"bits": 0}))
    assert errors["plain"].ravel() == pytest.approx(0.0, abs=0.02)
    assert errors["zeroed"].ravel() == pytest.approx(errors["plain"].ravel(), abs=1e-9)


def test_blocks_and_workers_do_not_matter() -> None:
    """The same counts to the bit, by one thread and by two."""
    sensor = {**SENSOR, "creep": "5 % +/- 2 %", "reload_scatter": "1 %", "zero_return": "2 %"}
    case = along(CYCLE, sensor=sensor, history={"repeat": 5}, use={"conditions": 2, "loadings": 2})
    one, two = (run(case, workers=workers) for workers in (1, 2))
    (first,), (second,) = one.tallies.values(), two.tallies.values()
    assert np.array_equal(first.errors, second.errors)
    assert np.array_equal(first.within, second.within)


def test_a_load_read_less_often_counts_as_much() -> None:
    """Its readings are taken over again, in their order."""
    steps = ["10 N for 1 s, read", "0 N for 1 s", "10 N for 1 s, read", "40 N for 1 s, read"]
    sensor = {"sensitivity": "4 uS", "creep": "4 %"}
    found = only(along(steps, sensor=sensor))[0, 0, 0]
    assert found.shape == (2, 2)
    assert found[0, 1] == found[1, 1]
    assert found[0, 0] != found[1, 0]


def test_a_file_is_the_steps_that_it_lists(tmp_path: Path) -> None:
    """Times at which loads begin, in units of the header; the last row ends the history."""
    rows = ["load (kN),time (min),read", "0.01,0,1", "0.04,0.05,1", "0,0.1,0", "0,0.2,0"]
    (tmp_path / "grips.csv").write_text("\n".join(rows), encoding="utf-8")
    text = """
        [case]
        unstated = "zero"
        [load]
        range = "2 N to 60 N"
        [requirement]
        permissible_error = "1 N"
        [sensor]
        kind = "thin film"
        sensitivity = "4 uS"
        reference_load = "20 N"
        [circuit]
        kind = "inverting amplifier"
        reference = "1.2 V"
        feedback = "60 kohm"
        [history]
        file = "grips.csv"
    """
    (tmp_path / "case.toml").write_text(text, encoding="utf-8")
    found = load_case(tmp_path / "case.toml").history
    assert found is not None
    assert found.loads == pytest.approx((10.0, 40.0, 0.0))
    assert found.seconds == pytest.approx((3.0, 3.0, 6.0))
    assert found.read == (True, True, False)


@pytest.mark.parametrize(
    ("history", "words"),
    [
        ({"steps": ["20 N"]}, "is not a step of a history"),
        ({"steps": ["20 N for 0 s"]}, "longer than 0 s"),
        ({"steps": ["20 s for 1 s"]}, "20 s"),
        ({"steps": ["-1 N for 1 s"]}, "cannot be negative"),
        ({"steps": ["0 N for 1 s"]}, "no step is read"),
        ({"steps": ["80 N for 1 s, read"]}, "outside the load range"),
        ({"steps": None}, "neither steps nor a file"),
        ({"file": "grips.csv"}, "both steps and a file"),
        ({"steps": None, "file": "nowhere.csv"}, "there is no such file"),
        ({"repeat": 100_000, "steps": ["20 N for 1 s", "0 N for 1 s"]}, "200000 steps are too many"),
        ({"recovery": "0 s"}, "recovery"),
    ],
)
def test_a_history_that_cannot_be_is_refused(history: dict[str, Any], words: str) -> None:
    """One message with the step and what to write."""
    with pytest.raises(CaseError, match=words):
        along(["20 N for 1 s, read"], history=history)


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ("load (N),time\n1,2\n2,3\n", "states no unit"),
        ("load (N)\n1\n2\n", "no column time"),
        ("load (s),time (s)\n1,2\n2,3\n", "load"),
        ("load (N),time (s)\n20,0\n20,0\n", "not after"),
        ("load (N),time (s)\n20,0\n", "fewer than two rows"),
        ("load (N),time (s)\n20,zero\n20,1\n", "is no time"),
        ("load (N),time (s)\nnan,0\n20,1\n", "is no load"),
        ("load (N),time (s),read\n20,0,yes\n20,1,0\n", "no mark of a reading"),
        ("", "no column load"),
    ],
)
def test_a_file_that_is_no_history_is_refused(tmp_path: Path, rows: str, words: str) -> None:
    """The message names the file and the line."""
    (tmp_path / "grips.csv").write_text(rows, encoding="utf-8")
    with pytest.raises(CaseError, match=words):
        along([], history={"steps": None, "file": str(tmp_path / "grips.csv")})


def test_what_a_history_decides_is_stated_nowhere_else() -> None:
    """Check loads and readings are those of the history; a sensor that remembers nothing has none."""
    with pytest.raises(CaseError, match="the loads that are read are those of the history"):
        along(CYCLE, load={"check": 5})
    with pytest.raises(CaseError, match="the readings are those of the history"):
        along(CYCLE, use={"readings": 2})
