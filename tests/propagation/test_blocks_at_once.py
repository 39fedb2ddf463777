"""What makes a study fast changes none of its bits: blocks taken together, curves looked up, elements by recipe."""

from __future__ import annotations

import dataclasses
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from pad_study import NONE, ONE_POINT, TWO_POINT, errors_of, everything, pad_case

from distributions import Stream
from margin.backends.arrays import evaluate_block, evaluate_blocks
from margin.backends.run import run
from margin.backends.threads import READINGS_A_WORKER, workers_for
from margin.case.types import Case
from margin.propagation import calibrated
from margin.propagation.calibrated import station_loads
from margin.propagation.memory import keep_freed_memory
from margin.propagation.model import model_of
from margin.propagation.partial import joined
from margin.propagation.plan import plan_of
from margin.propagation.recipes import recipe_of
from margin.propagation.tally import BlockTally
from margin.propagation.threads import default_workers


def read_by_firmware(bits: int) -> Case:
    """Every coordinate of the firmware is asked for, some of them by two options."""
    return pad_case(
        NONE,
        ONE_POINT,
        {**TWO_POINT, "space": "signal", "name": "signal"},
        {**TWO_POINT, "space": "output", "name": "output"},
        {**TWO_POINT, "space": "logarithm", "name": "logarithm"},
        {**TWO_POINT, "temperature_correction": True, "name": "warm"},
        sensor={"sensitivity": "4 uS +/- 6 %", "exponent": "0.9", "temperature_coefficient": "-0.2 %/K"},
        converter={"bits": bits, "noise": 0.7},
        use={"temperature": "5 degC to 40 degC"},
    )


@pytest.mark.parametrize("bits", [8, 12, 16])
def test_a_looked_up_design_curve_is_the_design_curve(bits: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Errors read off the table by code are those of the design curve evaluated at every reading."""
    looked_up = errors_of(read_by_firmware(bits), 200)
    monkeypatch.setattr(calibrated, "TABLE_BITS", 0)
    evaluated = errors_of(read_by_firmware(bits), 200)
    for name, errors in evaluated.items():
        assert np.array_equal(looked_up[name], errors), name


def test_blocks_together_are_the_blocks_alone() -> None:
    """Blocks across sections, lots and outer draws evaluated at once are counted as each of them alone."""
    case = everything("sobol")
    model, plan = model_of(case), plan_of(case)
    blocks = [block for block in plan.blocks(50) if block.count > 0][3:14]
    assert len({block.section for block in blocks}) > 2
    for block, found in zip(blocks, evaluate_blocks(model, plan, blocks), strict=True):
        alone = evaluate_block(model, plan, block)
        assert found.block == block
        assert np.array_equal(found.clipped, alone.clipped)
        assert np.array_equal(found.blind, alone.blind)
        for name, tally in alone.tallies.items():
            for field in dataclasses.fields(BlockTally):
                assert np.array_equal(getattr(found.tallies[name], field.name), getattr(tally, field.name))


def test_blocks_together_join_as_one() -> None:
    """Two halves of a block evaluated at once join to the block."""
    case = everything("random")
    model, plan = model_of(case), plan_of(case)
    whole = next(plan.blocks(1000))
    one, other = evaluate_blocks(model, plan, list(plan.cut(whole, whole.count // 2))[:2])
    both = joined(one, other)
    alone = evaluate_block(model, plan, both.block)
    for name, tally in alone.tallies.items():
        assert np.array_equal(both.tallies[name].errors, tally.errors)


def test_units_stand_side_by_side_in_memory() -> None:
    """Errors run along the units in memory, whichever axes their causes vary on."""
    case = pad_case(
        ONE_POINT,
        sensor={"sensitivity": "4 uS +/- 6 %", "reload_scatter": "1 %"},
        converter={"bits": 12, "noise": 0.7},
        use={"conditions": 2, "loadings": 2, "readings": 2},
    )
    (errors,) = errors_of(case, 300).values()
    assert errors.shape == (300, 2, 2, 2, 7)
    assert errors.strides[0] == errors.itemsize


def test_the_station_loads_only_what_an_option_asks_for() -> None:
    """The unit stands unloaded on the station only where an option tares."""
    loaded = pad_case(ONE_POINT, TWO_POINT).calibrations
    tared = pad_case(ONE_POINT, {"kind": "tare"}).calibrations
    assert station_loads(loaded) == (6.0, 30.0, 54.0)
    assert station_loads(tared) == (0.0, 30.0)
    assert station_loads(pad_case(NONE).calibrations) == ()


def test_an_element_that_does_not_vary_is_made_once() -> None:
    """An element without spread or draws is one object; one with them has a recipe of them alone."""
    case = pad_case(NONE, sensor={"sensitivity": "4 uS +/- 6 % per unit, +/- 2 % per lot"})
    still, varying = recipe_of(case.elements["interface"]), recipe_of(case.elements["sensor"])
    assert recipe_of(case.elements["interface"]) is still
    assert still.element is not None
    assert varying.element is None
    assert [(s.field, len(s.factors)) for s in varying.spreading] == [("sensitivity", 2)]
    assert "sensitivity" not in varying.fixed


def test_few_units_take_one_thread() -> None:
    """By default no thread is started for fewer readings than outweigh it, and no more than there are cores."""
    few = pad_case(NONE, study={"units": 100})
    many = pad_case(NONE, study={"units": 3 * READINGS_A_WORKER})
    assert workers_for(few, few.study.units) == 1
    assert workers_for(many, many.study.units) == min(default_workers(), 21)


def test_streams_of_threads_do_not_meet() -> None:
    """Threads that draw at the same time draw what each would alone."""
    stream = Stream(11)
    names = [f"factor {n}" for n in range(40)]
    alone = [stream.uniforms(name, 7, 5000) for name in names]
    with ThreadPoolExecutor(8) as pool:
        together = list(pool.map(lambda name: stream.uniforms(name, 7, 5000), names))
    assert all(np.array_equal(a, b) for a, b in zip(alone, together, strict=True))


def test_keeping_freed_memory_is_asked_once() -> None:
    """Asking again is harmless and answers the same; a study runs either way."""
    assert keep_freed_memory() == keep_freed_memory()
    assert run(pad_case(NONE, study={"units": 20})).plan.frame.units == 20
