"""Forecast of a study: counts from its plan, time in proportion to a pilot, memory of the arrays that it computes."""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterator
from dataclasses import replace
from itertools import count

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pad_study import EVERY_SPREAD, ONE_POINT, TWO_POINT, pad_case

from margin.backends.arrays import evaluate_block
from margin.backends.compiled import choose
from margin.backends.compiled.block import Counted, block_bytes
from margin.backends.compiled.choose import draft_for, why_uncompiled
from margin.case import Case
from margin.estimates import forecast as forecasts
from margin.estimates.forecast import COMPILING, Pilot, Way, forecast, forecast_of
from margin.propagation.block import block_errors
from margin.propagation.model import model_of
from margin.propagation.plan import default_block, growing_plan, plan_of
from margin.propagation.readings import readings_of_a_unit
from margin.report.forecast import forecast_lines

ARRAYS = Way("arrays", "few readings", 1, 4096)
KERNEL = Way("kernel", "many readings", 2, 8192, operations=1000, block_bytes=1 << 20)


def pad(**study: object) -> Case:
    """A pad with spreads that leave one outer draw."""
    tables = {**EVERY_SPREAD, "study": {**EVERY_SPREAD["study"], **study}}
    return pad_case(ONE_POINT, TWO_POINT, **tables)


def ticking(step: float) -> Iterator[float]:
    return (step * number for number in count())


def test_counts_are_those_of_the_plan() -> None:
    """Units at the first look and at most, readings and calibrations are what the study then draws."""
    case = pad(units=100_000, draw="until decided")
    plan = growing_plan(case)
    found = forecast(case, plan, ARRAYS, Pilot(100, 1.0, 1000, "arrays"))
    assert (found.first_look_units, found.most_units) == (plan.units_at(0), plan.frame.units)
    assert found.first_look_units < found.most_units == 100_000
    # 2 conditions, 2 loadings, 2 readings at 7 loads
    assert found.readings_per_unit == readings_of_a_unit(case) == 56
    assert found.calibrations == 2


@given(units=st.integers(1_000, 10_000_000), rate=st.floats(1e-7, 1.0))
def test_time_is_in_proportion_to_units_and_pilot(units: int, rate: float) -> None:
    """On one thread by array operations a study takes, about, its units times the pilot's time of a unit; the range
    contains it."""
    case = pad(units=units)
    found = forecast(case, plan_of(case), ARRAYS, Pilot(100, 100 * rate, 1000, "arrays"))
    assert found.most_seconds.about == pytest.approx(found.most_units * rate)
    assert found.first_look_seconds == found.most_seconds
    assert found.most_seconds.low < found.most_seconds.about < found.most_seconds.high
    assert found.compiling_seconds.about == 0.0


def test_a_kernel_to_be_compiled_is_forecast_from_array_operations() -> None:
    """Compiling comes on top and drawing is faster; from a pilot of the kernel itself neither is assumed."""
    case = pad(units=1_000_000)
    plan, pilot = plan_of(case), Pilot(1000, 0.5, 0, "arrays")
    new = forecast(case, plan, KERNEL, pilot)
    assert new.compiling_seconds.about == 1000 * COMPILING[1]
    by_arrays = forecast(case, plan, replace(ARRAYS, workers=2), pilot).most_seconds
    assert new.most_seconds.about < by_arrays.about
    kept = forecast(case, plan, replace(KERNEL, kept=True), replace(pilot, path="kernel"))
    assert kept.compiling_seconds.about == 0.0
    assert kept.most_seconds.about == pytest.approx(by_arrays.about)
    assert kept.peak_bytes.about < new.peak_bytes.about


def test_memory_grows_with_threads_and_not_with_units() -> None:
    """Memory is bounded by the block: more units take no more, more threads do."""
    pilot = Pilot(1000, 1.0, 10_000_000, "arrays")
    few, many = (
        forecast(case, plan_of(case), ARRAYS, pilot) for case in (pad(units=100_000), pad(units=10_000_000))
    )
    assert few.peak_bytes == many.peak_bytes
    case = pad(units=100_000)
    four = forecast(case, plan_of(case), replace(ARRAYS, workers=4), pilot)
    assert four.block_bytes == few.block_bytes == 40_960_000
    assert four.peak_bytes.low - few.peak_bytes.low == 3 * four.block_bytes


def test_memory_of_a_block_is_that_of_its_arrays() -> None:
    """By array operations a block takes, within a third, what it is seen to allocate, and more than its force errors
    alone: 8 bytes for each reading and calibration."""
    case = pad(units=20_000)
    model, plan = model_of(case), plan_of(case)
    found = forecast_of(case)
    assert found.path == "arrays"
    assert found.block_units == min(default_block(case), 10_000)
    block = next(plan.blocks(found.block_units))
    block = replace(block, count=min(block.count, found.block_units))
    evaluate_block(model, plan, block)
    tracemalloc.start()
    try:
        evaluate_block(model, plan, block)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert found.block_bytes / found.block_units == pytest.approx(peak / block.count, rel=0.35)
    errors = block_errors(model, model.source(plan.frame.grouping, 0, block.count), block.count).by_option
    bytes_of_errors = sum(each.nbytes for by_condition in errors.values() for each in by_condition)
    assert bytes_of_errors == 8 * block.count * found.readings_per_unit * found.calibrations
    assert found.block_bytes / found.block_units > bytes_of_errors / block.count


def test_memory_of_a_kernel_is_that_of_its_counts() -> None:
    """What machine code writes of a block: counts of bins, and a few numbers for each unit and calibration."""
    pytest.importorskip("llvmlite", reason="the compiler is an extra")
    case = pad(units=1000)
    model, plan = model_of(case), plan_of(case)
    draft = draft_for(model, plan, True)
    assert draft is not None
    counted = Counted.empty(draft.layout, 800, bins=True)
    bins = 2 * len(plan.frame.conditions) * plan.frame.loads.size * (plan.frame.bins.size + 1)
    assert counted.bins.nbytes == 4 * bins
    units = counted.within.shape[1]
    of_units = 8 * 2 * units * (draft.layout.parts + 2)
    found = block_bytes(draft.layout, 800)
    assert found > counted.bins.nbytes + of_units
    assert block_bytes(draft.layout, 8 * 800) - found == pytest.approx(7 * of_units, rel=0.02)


def test_the_pilot_is_timed_by_the_clock_that_is_given() -> None:
    """The clock is read before and after one pilot block; its seconds become those of a unit."""
    case = pad(units=20_000)
    clock = ticking(2.0)
    found = forecast_of(case, lambda: next(clock))
    threads = found.workers * forecasts.THREADS_TOGETHER if found.workers > 1 else 1
    # whole lots of 8 units
    assert found.most_seconds.about == pytest.approx(found.most_units * 2.0 / 1024 / threads)


def test_reasons_say_why_a_way_is_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    """Few readings, a refusal to compile, a kernel to compile and one that is kept each have their words."""
    pytest.importorskip("llvmlite", reason="the compiler is an extra")
    case = pad(units=2000)
    assert "would take longer than it saves for 0.224 million readings" in forecast_of(case).reason
    monkeypatch.setattr(forecasts, "why_uncompiled", lambda model: "a branch on drawn values")
    assert forecast_of(case).reason == "a branch on drawn values"
    monkeypatch.setattr(choose, "WORTH_COMPILING", 0.0)
    new = forecast_of(case)
    assert (new.path, new.reason) == ("kernel", "worth compiling for 0.224 million readings")
    assert why_uncompiled(model_of(case)) is None
    draft = draft_for(model_of(case), plan_of(case), True)
    assert draft is not None
    draft.compiled()
    kept = forecast_of(case)
    assert (kept.path, kept.compiling_seconds.about) == ("kernel", 0.0)
    assert "kept from before" in kept.reason


def test_the_words_say_about_and_a_range() -> None:
    """Time and memory are given to two digits with their range; equal looks are not told apart."""
    case = pad(units=1_000_000)
    found = forecast(case, plan_of(case), KERNEL, Pilot(1000, 0.5, 0, "arrays"))
    units, way, time, memory = forecast_lines(found)
    assert "first look" not in units
    assert "56 readings a unit, each corrected by 2 calibrations" in units
    assert way == "by a compiled kernel on 2 threads: many readings"
    assert time.startswith("drawing: about 76 s (")
    assert "about 2.5 s (1 to 5 s) to compile, once" in time
    assert "about 1 MB for a block of" in memory
    assert time.endswith("Budget and report take further time")
