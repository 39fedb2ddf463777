"""The same study gives the same bits however it is cut, in memory that does not grow with it."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from pad_study import NONE, ONE_POINT, everything, pad_case
from same_counts import assert_same_bits

from distributions import points
from margin.backends.run import run
from margin.propagation.model import model_of


@pytest.mark.parametrize("points", ["random", "latin", "sobol"])
def test_workers_and_blocks_change_no_bit(points: str) -> None:
    """1, 2 and 7 workers and blocks of any size, also of sizes that divide neither lots nor outer draws, give
    equal counts, extremes and sample units."""
    case = everything(points)
    first = run(case, workers=1)
    assert first.plan.frame.units >= 1010
    assert first.plan.frame.outer == 4
    for workers, block in ((2, None), (7, 33), (1, 50), (2, 101), (7, 400)):
        assert_same_bits(first, run(case, workers=workers, block=block))


def test_threads_make_no_direction_numbers(monkeypatch: pytest.MonkeyPatch) -> None:
    """Once a case is prepared, no thread makes direction numbers of Sobol points."""
    sensor = {"sensitivity": "4 uS +/- 6 %", "exponent": "0.85 +/- 0.02", "reload_scatter": "1 %"}
    case = pad_case(ONE_POINT, sensor=sensor, study={"units": 60, "points": "sobol"})
    monkeypatch.setattr(points, "_directions", np.empty((0, 32), dtype=np.uint32))
    model = model_of(case)
    monkeypatch.setattr(points, "_made_directions", None)
    found = run(case, model=model, workers=2, block=20)
    assert found.plan.frame.grouping.points == "sobol"


def test_blocks_of_one_unit() -> None:
    """Blocks of one unit give the same counts where nothing is shared between units."""
    case = pad_case(
        ONE_POINT,
        sensor={"sensitivity": "4 uS +/- 6 %", "reload_scatter": "1 %"},
        study={"units": 60, "points": "sobol"},
    )
    first = run(case, workers=1)
    for block in (1, 7):
        assert_same_bits(first, run(case, workers=2, block=block))


def test_another_seed_is_another_study() -> None:
    """Another seed gives other draws."""
    one = run(pad_case(NONE, sensor={"sensitivity": "4 uS +/- 6 %"}), workers=1)
    other = run(pad_case(NONE, sensor={"sensitivity": "4 uS +/- 6 %"}, study={"seed": 4}), workers=1)
    assert not np.array_equal(one.samples["none"], other.samples["none"])


def test_every_unit_is_counted_once() -> None:
    """Counts add up to the units and readings of the study, for every cut."""
    case = everything("random")
    result = run(case, workers=2, block=101)
    frame = result.plan.frame
    for tally in result.tallies.values():
        assert tally.errors.sum() == frame.units * frame.readings
        assert tally.largest.sum() == tally.shares.sum() == frame.units
        assert tally.lots.sum(axis=1) == pytest.approx(frame.units / frame.grouping.units_per_lot)


def test_more_units_are_the_same_units_and_more() -> None:
    """A larger study begins with the units of the smaller one (in each section, where points are better)."""
    sensor = {"sensitivity": "4 uS +/- 6 %", "reload_scatter": "1 %"}
    small = run(pad_case(ONE_POINT, sensor=sensor, study={"units": 200}), workers=1)
    large = run(pad_case(ONE_POINT, sensor=sensor, study={"units": 1000}), workers=2)
    assert np.array_equal(small.samples["one-point"], large.samples["one-point"])


def peak_memory(units: int) -> int:
    case = pad_case(
        ONE_POINT,
        load={"check": 2},
        sensor={"sensitivity": "4 uS +/- 6 %", "reload_scatter": "1 %"},
        study={"units": units, "points": "sobol"},
    )
    tracemalloc.start()
    try:
        run(case, workers=1, block=2000)
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_memory_does_not_grow_with_units() -> None:
    """Sixteen times the units take the same memory."""
    peak_memory(4000)
    assert peak_memory(64_000) < 1.3 * peak_memory(4000)


def test_workers_and_blocks_below_one_are_refused() -> None:
    """Workers and blocks must be 1 or more."""
    case = pad_case(NONE)
    for wrong in ({"workers": 0}, {"block": 0}):
        with pytest.raises(ValueError, match="at least 1"):
            run(case, **wrong)
