"""Units that a prototype is compared with: drawn of a case, or measured at a bench."""

from __future__ import annotations

import dataclasses
from functools import lru_cache

import numpy as np
import pandas as pd
import pytest
from bench_rows import bench_frame
from pad_study import NONE, ONE_POINT, pad_case

from margin.bench import read_bench
from margin.case.types import Case
from margin.diagnosis.baseline import from_case, from_units
from margin.diagnosis.comparison import compared
from margin.diagnosis.figures import figures_of
from margin.diagnosis.prototype import Prototype, prototypes_of
from margin.diagnosis.situation import as_designed
from margin.diagnosis.taken import take

LOADS = (0.0, 6.0, 20.0, 40.0, 60.0)
SPREADS = {
    "sensor": {
        "sensitivity": "4 uS +/- 8 % (2 sigma, from 8 units) per unit, +/- 3 % (2 sigma) per mounting",
        "exponent": "0.9 +/- 0.02 (2 sigma)", "reload_scatter": "1 %", "hysteresis": "2 % +/- 0.5 % (2 sigma)",
        "creep": "2 % +/- 0.5 % (2 sigma)", "offset_conductance": "0.2 uS +/- 0.04 uS (2 sigma)",
    },
    "circuit": {"feedback": "60 kohm +/- 1 %"},
    "converter": {"bits": 14, "noise": 0.7},
    "station": {"reference_gain": "0 +/- 0.2 %"},
}  # fmt: skip


@lru_cache
def case() -> Case:
    """A pad with spreads at most levels."""
    return pad_case(NONE, ONE_POINT, **SPREADS)


def frame(value: float = 1.0, unit: str = "N", mountings: int = 1, runs: int = 3) -> pd.DataFrame:
    """Readings of a prototype that reports the applied load times `value`."""
    rows = [
        {"sensor": "P", "mounting": m, "run": r, "branch": branch, "load_N": load, "temperature_degC": 25.0,
         "output": value * load, "output_unit": unit}
        for m in range(mountings)
        for r in range(runs)
        for branch, loads in (("up", LOADS), ("down", LOADS[-2::-1]))
        for load in loads
    ]  # fmt: skip
    return pd.DataFrame(rows)


def prototype(mountings: int = 1) -> Prototype:
    """The same as read."""
    return prototypes_of(read_bench(frame(mountings=mountings)))[0]


@pytest.mark.parametrize(("option", "mountings"), [("none", 1), ("one-point", 2)])
def test_unchanged_prototypes_of_the_engine_are_ordinary(option: str, mountings: int) -> None:
    """Of 150 prototypes drawn with another seed at most 7 % + 3 standard errors are unusual; of the same that read a
    fifth low above 30 N, nearly all."""
    like = prototype(mountings)
    base = from_case(case(), like, option=option, units=2000, seed=1)
    assert base.plan is not None
    drawn = take(as_designed(case()), base.plan, 150, 99).runs
    low = np.where(like.shape.loads > 30.0, 0.8, 1.0)

    def unusual(indicated: np.ndarray) -> int:
        _, own = figures_of(like.shape, indicated)
        found = [compared(dataclasses.replace(base, own=each)) for each in own]
        return sum(not each.nothing_unusual for each in found)

    assert unusual(drawn) <= 150 * 0.07 + 3 * (150 * 0.07 * 0.93) ** 0.5
    assert unusual(drawn * low) >= 140


def test_spread_of_drawn_sensitivity_is_that_of_the_case() -> None:
    """Variance of the level of one run: unit 4 % from 8 units, mounting 1.5 %, reload 1 %, resistor and station, over
    the exponent squared, as the load is found through the design curve."""
    like = prototypes_of(read_bench(frame(runs=1)))[0]
    base = from_case(case(), like, option="none", units=6000)
    values = base.units[:, [figure.name for figure in base.figures].index("sensitivity")]
    t_like = 0.04**2 * (1.0 + 1.0 / 8.0) * 7.0 / 5.0
    rest = 0.015**2 + 0.01**2 + 0.01**2 / 3.0 + (0.9 * 0.002) ** 2 / 3.0
    expected = 100.0 * np.sqrt(t_like + rest) / 0.9
    assert float(np.percentile(np.abs(values - np.median(values)), 68.3)) == pytest.approx(expected, rel=0.12)
    assert base.by == "case" and len(base.missing) == 3


def test_mountings_and_runs_scatter_as_stated() -> None:
    """The median scatter between runs is that of 1 % between two runs of each mounting, over the exponent; draws of one
    seed are the same again."""
    like = prototypes_of(read_bench(frame(mountings=3, runs=2)))[0]
    base = from_case(case(), like, option="none", units=3000)
    names = [figure.name for figure in base.figures]
    # chi-square with 3 degrees of freedom has its median at 2.366
    within = np.median(base.units[:, names.index("scatter from run to run")])
    assert within == pytest.approx(1.0 / 0.9 * np.sqrt(2.366 / 3.0), rel=0.08)
    # with 2 degrees of freedom at 1.386; a mean of two runs adds half of their variance
    between = np.median(base.units[:, names.index("scatter after remounting")])
    assert between == pytest.approx(np.sqrt(1.5**2 + 0.5) / 0.9 * np.sqrt(1.386 / 2.0), rel=0.08)
    again = from_case(case(), like, option="none", units=3000)
    assert np.array_equal(base.units, again.units)


def test_bench_units_are_read_in_the_way_of_the_prototype() -> None:
    """A bench of five sensors with two mountings of three cycles, and a prototype with one mounting of two: figures are
    of one mounting and two runs of each at the common loads, and the loop of all is that of the bench."""
    units = prototypes_of(read_bench(bench_frame(sensors=6, mountings=2, cycles=3)))
    short = bench_frame(sensors=1, mountings=1, cycles=2, loads=(0.0, 2.0, 7.0, 20.0))
    own = prototypes_of(read_bench(short))[0]
    base = from_units(own, units[1:], "bench")
    assert base.shape.runs == 2 and base.shape.mountings == 1 and len(base.units) == 5
    assert base.shape.loads.tolist() == [0.0, 2.0, 20.0, 2.0, 0.0]
    assert "exponent" not in [figure.name for figure in base.figures]
    assert compared(base).nothing_unusual
    loop = base.units[:, [figure.name for figure in base.figures].index("hysteresis")]
    assert loop == pytest.approx(100.0 * 0.04 * 4 * 0.1 * 0.9 / 0.85, rel=0.4)
    assert np.std(loop) < 0.1 * np.mean(loop)
