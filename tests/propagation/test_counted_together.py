"""Blocks counted in one step, threads that take turns: counts as by the definitions."""

from __future__ import annotations

import dataclasses
import sys
from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pad_study import NONE, TWO_POINT, everything, pad_case, source_of

from margin.backends.threads import READINGS_A_WORKER, READINGS_OF_TWO, workers_for
from margin.case import Case
from margin.propagation.block import block_errors
from margin.propagation.draws import StreamSource
from margin.propagation.model import model_of
from margin.propagation.plan import plan_of
from margin.propagation.points_source import columns_of
from margin.propagation.readings import use_event
from margin.propagation.tally import BlockTally, Frame, counted_by_load, judge, tally_block, tally_blocks
from margin.propagation.threads import SWITCH_INTERVAL, default_workers, in_threads

LOADS = 7


def frame_of(readings: tuple[int, ...], share: str = "80 %") -> Frame:
    """Frame of a study with so many readings at a load under each condition of use."""
    frame = plan_of(pad_case(NONE, requirement={"permissible_error": "1 N", "share": share})).frame
    names = tuple(f"condition {n}" for n in range(len(readings)))
    return dataclasses.replace(frame, conditions=names, readings=LOADS * sum(readings))


def errors_like(readings: tuple[int, ...], units: int, seed: int) -> list[np.ndarray]:
    """Normal errors, N, of which some units have all within 1 N, units side by side in memory or not."""
    rng = np.random.default_rng(seed)
    size = rng.uniform(0.2, 0.8, units)
    drawn = [rng.normal(0.0, size, (r, LOADS, units)) for r in readings]
    errors = [d.reshape(1, 1, *d.shape).transpose(4, 0, 1, 2, 3) for d in drawn]
    return errors if seed % 2 else [np.ascontiguousarray(e) for e in errors]


@settings(max_examples=40, deadline=None)
@given(
    readings=st.lists(st.integers(1, 5), min_size=1, max_size=3).map(tuple),
    units=st.integers(1, 40),
    seed=st.integers(0, 99),
)
def test_units_are_judged_by_every_reading(readings: tuple[int, ...], units: int, seed: int) -> None:
    """Largest error, readings within and halves of the use are those of all |error| / permissible error."""
    frame, errors = frame_of(readings), errors_like(readings, units, seed)
    found = judge(frame, errors)
    ratios = np.concatenate([np.abs(e).reshape(units, -1, LOADS) / frame.permissible for e in errors], axis=1)
    half = max(ratios.shape[1] // 2, 1)
    np.testing.assert_array_equal(found.largest, ratios.max(axis=(1, 2)))
    np.testing.assert_array_equal(found.within, (ratios <= 1.0).sum(axis=(1, 2)))
    np.testing.assert_array_equal(found.everywhere, (ratios <= 1.0).all(axis=(1, 2)))
    for which, part in enumerate((ratios[:, :half], ratios[:, -half:])):
        np.testing.assert_array_equal(found.halves[which], (part <= 1.0).all(axis=(1, 2)))


@settings(max_examples=20, deadline=None)
@given(counts=st.lists(st.integers(1, 9), min_size=1, max_size=6), seed=st.integers(0, 99))
def test_blocks_are_counted_as_each_alone(counts: list[int], seed: int) -> None:
    """Every count and extreme of a block is the same whether others are counted with it or not."""
    readings = (3, 2)
    frame, errors = frame_of(readings), errors_like(readings, sum(counts), seed)
    sections = [n % 10 for n in range(len(counts))]
    found = tally_blocks(frame, errors, judge(frame, errors), 0, counts, sections)
    first = 0
    for together, count, section in zip(found, counts, sections, strict=True):
        own = [e[first : first + count] for e in errors]
        alone = tally_block(frame, own, judge(frame, own), first, section)
        for field in dataclasses.fields(BlockTally):
            np.testing.assert_array_equal(
                getattr(together, field.name), getattr(alone, field.name), field.name
            )
        first += count


@pytest.mark.parametrize("readings", [1, 255, 300])
def test_marks_are_counted_by_load_and_block(readings: int) -> None:
    """True readings of each load and block are counted, however many readings a unit has."""
    marks = np.random.default_rng(readings).random((6, 1, 1, readings, 3)) < 0.9
    marks[0] = True
    found = counted_by_load(marks, [0, 1, 4])
    wanted = [marks[a:b].sum(axis=(0, 1, 2, 3)) for a, b in ((0, 1), (1, 4), (4, 6))]
    np.testing.assert_array_equal(found.T, wanted)


def test_draws_made_first_are_the_same() -> None:
    """Errors do not depend on whether the draws of readings are made before the calibration or when needed."""
    model, plan = model_of(everything("sobol")), plan_of(everything("sobol"))
    first = dataclasses.replace(model, draws_first=True)
    when_needed, at_once = (
        block_errors(m, m.source(plan.frame.grouping, 0, 40), 40).by_option for m in (model, first)
    )
    for name, errors in when_needed.items():
        for one, other in zip(errors, at_once[name], strict=True):
            np.testing.assert_array_equal(one, other)


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Names of the factors whose deviations are drawn."""
    names: list[str] = []
    deviation = StreamSource.deviation

    def noting(self: StreamSource, factor, event):  # type: ignore[no-untyped-def]
        names.append(factor.name)
        return deviation(self, factor, event)

    monkeypatch.setattr(StreamSource, "deviation", noting)
    return names


@pytest.mark.parametrize(("direction", "drawn"), [("up", False), ("down", False), ("either", True)])
def test_a_direction_that_is_stated_is_not_drawn(direction: str, drawn: bool, asked: list[str]) -> None:
    """The branch of the load cycle is drawn where it may be either; a plan of points has its column anyway."""
    case: Case = pad_case(TWO_POINT, use={"direction": direction}, sensor={"hysteresis": "2 %"})
    model, source, count = source_of(case, 5)
    block_errors(model, source, count)
    assert any(name.startswith("use.direction") for name in asked) == drawn
    assert any(column.name.startswith("use.direction") for column in columns_of(model))


def test_readings_are_drawn_in_a_row(asked: list[str]) -> None:
    """What is drawn first are the draws of placements and samples in use, and no others."""
    case = pad_case(TWO_POINT, sensor={"reload_scatter": "1 %"}, converter={"bits": 12, "noise": 0.7})
    _, source, _ = source_of(case, 5)
    source.draw_readings(use_event(case, None))
    assert sorted(asked) == ["converter.noise (each reading)", "sensor.reload_scatter (each loading)"]


def test_two_threads_share_a_small_study() -> None:
    """Two threads are taken from fewer readings on than a third is worth; never more than there are cores."""
    cores = default_workers()
    worth = {
        READINGS_OF_TWO - LOADS: 1,
        READINGS_OF_TWO: 2,
        2 * READINGS_A_WORKER: 2,
        3 * READINGS_A_WORKER: 3,
    }
    for readings, threads in worth.items():
        case = pad_case(NONE, study={"units": -(-readings // LOADS)})
        assert workers_for(case, case.study.units) == min(cores, threads)


def test_threads_take_turns_quickly_while_they_work() -> None:
    """The interpreter changes hands sooner while work is spread over threads, and as before when it is done."""
    before = sys.getswitchinterval()

    def tasks() -> Iterator[int]:
        for number in range(20):
            assert sys.getswitchinterval() == pytest.approx(min(SWITCH_INTERVAL, before))
            yield number

    assert list(in_threads(lambda number: number**2, tasks(), 3)) == [n**2 for n in range(20)]
    assert sys.getswitchinterval() == before
    assert list(in_threads(lambda number: -number, range(3), 1)) == [0, -1, -2]


def test_the_turn_is_given_back_after_an_error() -> None:
    """An exception in a thread leaves the interpreter as it was."""
    before = sys.getswitchinterval()
    with pytest.raises(ZeroDivisionError):
        list(in_threads(lambda number: 1 // number, range(5), 2))
    assert sys.getswitchinterval() == before
