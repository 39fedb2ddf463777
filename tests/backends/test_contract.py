"""One contract for the ways of computing: each counts what plain loops over the force errors count.

The loops stand here, written out: they share neither the judging rule nor the bins' arithmetic with the program.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from functools import cache
from typing import Any

import numpy as np
import pytest
from device_on_host import host_device
from numpy.typing import NDArray
from pad_study import EVERY_SPREAD, NONE, ONE_POINT, TWO_POINT, pad_case
from same_counts import assert_same_bits

from margin.backends.cluster.workers import ClusterError, cluster_at
from margin.backends.device.space import CudaSpace
from margin.backends.run import run
from margin.case import Case
from margin.propagation import plan as plan_module
from margin.propagation.block import Errors, block_errors
from margin.propagation.frame import Frame
from margin.propagation.model import Model, model_of
from margin.propagation.plan import Plan, growing_plan, plan_of
from margin.propagation.run_result import RunResult
from margin.propagation.tally import Tally

Array = NDArray[np.float64]
Counts = NDArray[np.int64]

LOT_CURVE = {"kind": "lot-curve", "sample_units": 3, "loads": ["6 N", "30 N", "54 N"], "degree": 1}
ALIKE = {**EVERY_SPREAD["sensor"], "sensitivity": "4 uS +/- 8 % (2 sigma) per unit"}
CONDITIONS = [
    {"name": "cold", "temperature": "0 degC +/- 5 K"},
    {"name": "warm", "temperature": "30 degC to 40 degC"},
]


def pad(*options: dict[str, Any], **tables: Any) -> Case:
    """A pad with spreads at every level that changes of its tables are put on."""
    merged = {name: {**EVERY_SPREAD.get(name, {}), **table} for name, table in tables.items()}
    return pad_case(*options, **{**EVERY_SPREAD, **merged})


CASES: dict[str, Callable[[], Case]] = {
    "nested": lambda: pad(ONE_POINT, sensor=ALIKE, study={"units": 160, "outer": 3, "units_per_lot": 7}),
    "lots": lambda: pad(NONE, TWO_POINT, study={"units": 200, "units_per_lot": 9}),
    "lot curve": lambda: pad(LOT_CURVE, study={"units": 120, "outer": 2, "units_per_lot": 12}),
    "conditions": lambda: pad(
        TWO_POINT, use={"condition": CONDITIONS, "temperature": None, "conditions": 1, "readings": 3}
    ),
    "a new zero": lambda: pad(
        {**ONE_POINT, "rezero": True},
        {**TWO_POINT, "space": "logarithm", "rezero": True, "temperature_correction": True},
        {**LOT_CURVE, "rezero": True}, sensor={"offset_conductance": "1 uS +/- 1 uS"},
        interface={"kind": "load concentrator", "preload": "3 N"},
    ),
    "readings": lambda: pad(ONE_POINT, requirement={"counts": "readings"}),
    "units by share": lambda: pad(
        ONE_POINT, requirement={"counts": "units by share of readings", "share": "80 %"}
    ),
    "every check point": lambda: pad(
        TWO_POINT, requirement={"counts": "units at every check point"}, use={"loadings": 1}
    ),
    "clipping": lambda: pad(
        NONE,
        circuit={"feedback": "85 kohm", "offset": "-60 mV +/- 40 mV"},
        sensor={"offset_conductance": "1 uS +/- 1 uS"},
    ),
    "better points": lambda: pad(TWO_POINT, sensor=ALIKE, study={"units": 153, "points": "sobol"}),
    "latin hypercube": lambda: pad(TWO_POINT, sensor=ALIKE, study={"units": 153, "points": "latin"}),
}  # fmt: skip
GROWING = "several looks"


@pytest.fixture(autouse=True)
def small_looks(monkeypatch: pytest.MonkeyPatch) -> None:
    """A first look of few units."""
    monkeypatch.setattr(plan_module, "FIRST_UNITS", 300)


def case_and_plan(name: str) -> tuple[Case, Plan]:
    """A case and what is drawn of it: a study of fixed size, or one of several looks."""
    if name != GROWING:
        case = CASES[name]()
        return case, plan_of(case)
    case = pad(ONE_POINT, sensor=ALIKE, study={"units": 1500})
    return case, growing_plan(case)


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    """Address of a scheduler with two worker processes."""
    pytest.importorskip("distributed", reason="Dask is an extra")
    try:
        with cluster_at(2) as found:
            yield found.client.scheduler.address
    except ClusterError as fault:
        pytest.skip(str(fault))


@pytest.fixture(scope="module")
def device(tmp_path_factory: pytest.TempPathFactory) -> CudaSpace:
    """The processor in place of a device."""
    return host_device(tmp_path_factory.mktemp("device"))


WAYS = ("arrays", "kernel", "device", "cluster")


@pytest.fixture(params=WAYS)
def way(request: pytest.FixtureRequest) -> dict[str, Any]:
    """How a study is asked to be computed."""
    if request.param == "kernel":
        pytest.importorskip("llvmlite", reason="the compiler is an extra")
        return {"compiled": True}
    if request.param == "device":
        return {"device": request.getfixturevalue("device")}
    if request.param == "cluster":
        return {"compiled": False, "cluster": request.getfixturevalue("address")}
    return {"compiled": False}


# ---- the independent count


def edges(scale: float, lowest: int, highest: int) -> Array:
    """Edges of the bins of |x|: 128 to an octave from 2^lowest to 2^highest of the scale."""
    octaves = np.repeat(2.0 ** np.arange(lowest, highest), 128)
    parts = np.tile(1.0 + np.arange(128) / 128.0, highest - lowest)
    return scale * np.append(octaves * parts, 2.0**highest)


def binned(values: Array, upper: Array) -> Counts:
    """Counts of signed values in bins that mirror each other about the one that holds zero."""
    half = upper.size
    place = np.searchsorted(upper, np.abs(values).ravel(), side="right")
    signed = half + np.where(np.signbit(values).ravel(), -place, place)
    return np.histogram(signed, bins=np.arange(2 * half + 2) - 0.5)[0]


@dataclasses.dataclass
class Wanted:
    """Counts of one option, made by plain loops; fields as those of `Tally`. doubtful: readings at a limit."""

    errors: Counts
    low: Array
    high: Array
    largest: Counts
    within: Counts
    shares: Counts
    halves: Counts
    lots: Counts


def counted(frame: Frame, plan: Plan, errors: list[Array]) -> Wanted:
    """Judge and count units one by one. errors: one array (unit, condition, loading, reading, load) a condition."""
    loads = frame.loads.size
    of_errors, of_ratios = edges(frame.span, -24, 6), edges(1.0, -12, 40)
    found = Wanted(
        np.zeros((10, len(errors), loads, 2 * of_errors.size + 1), dtype=np.int64),
        np.stack([e.min(axis=(0, 1, 2, 3)) for e in errors]),
        np.stack([e.max(axis=(0, 1, 2, 3)) for e in errors]),
        np.zeros((10, 2 * of_ratios.size + 1), dtype=np.int64),
        np.zeros((frame.groups, 3), dtype=np.int64),
        np.zeros(frame.readings + 1, dtype=np.int64),
        np.zeros(2, dtype=np.int64),
        np.zeros((2, frame.grouping.units_per_lot + 1), dtype=np.int64),
    )
    by_share, everywhere = np.zeros(frame.units, dtype=int), np.zeros(frame.units, dtype=int)
    for piece, (first, last) in enumerate(zip(plan.boundaries, plan.boundaries[1:], strict=False)):
        section = piece % 10
        for condition, error in enumerate(errors):
            for load in range(loads):
                found.errors[section, condition, load] += binned(error[first:last, ..., load], of_errors)
        worst = np.zeros(last - first)
        for unit in range(first, last):
            # readings at all loads in the order of use
            readings = [r for e in errors for r in np.abs(e[unit]).reshape(-1, loads)]
            inside = [
                [bool(size <= limit) for size, limit in zip(r, frame.permissible, strict=True)]
                for r in readings
            ]
            number = sum(sum(reading) for reading in inside)
            half = max(len(inside) // 2, 1)
            worst[unit - first] = max(max(r / frame.permissible) for r in readings)
            by_share[unit] = number >= frame.share * frame.readings - 1e-9
            everywhere[unit] = number == frame.readings
            group = section
            if frame.outer > 1:
                group = unit * frame.grouping.cells // frame.grouping.units_per_draw
            found.within[group] += (number, by_share[unit], everywhere[unit])
            found.shares[number] += 1
            found.halves += (all(map(all, inside[:half])), all(map(all, inside[-half:])))
        found.largest[section] += binned(worst, of_ratios)
    if frame.by_lot:
        for first in range(0, frame.units, frame.grouping.units_per_lot):
            lot = slice(first, first + frame.grouping.units_per_lot)
            for row, units in enumerate((by_share, everywhere)):
                found.lots[row, units[lot].sum()] += 1
    return found


def at_a_limit(frame: Frame, errors: list[Array]) -> int:
    """Readings within 1e-12 of the permissible error or of an edge of a bin, relatively."""
    upper = edges(frame.span, -24, 6)
    doubtful = 0
    for error in errors:
        size = np.abs(error)
        doubtful += int(np.sum(np.abs(size / frame.permissible - 1.0) <= 1e-12))
        for side in ("left", "right"):
            place = np.searchsorted(upper, size, side=side).clip(0, upper.size - 1)
            doubtful += int(np.sum(np.abs(size / upper[place] - 1.0) <= 1e-12))
            doubtful += int(np.sum(np.abs(size / upper[np.maximum(place - 1, 0)] - 1.0) <= 1e-12))
    return doubtful


@dataclasses.dataclass
class Looped:
    """A study as plain loops count it: its force errors, by option what was counted and how many are at a limit."""

    case: Case
    plan: Plan
    model: Model
    drawn: Errors
    counts: dict[str, tuple[Wanted, int]]


@cache
def looped(name: str) -> Looped:
    """The study of that name, counted once for all ways that are held against it."""
    case, plan = case_and_plan(name)
    model, frame = model_of(case), plan.frame
    drawn = block_errors(model, model.source(frame.grouping, 0, frame.units), frame.units)
    counts = {
        option: (counted(frame, plan, errors), at_a_limit(frame, errors))
        for option, errors in drawn.by_option.items()
    }
    return Looped(case, plan, model, drawn, counts)


def assert_counts(found: RunResult, by_loops: Looped) -> None:
    """All counts of a result are those of the loops, up to the readings at a limit."""
    frame, drawn = by_loops.plan.frame, by_loops.drawn
    np.testing.assert_array_equal(
        found.clipped, [_marked(drawn.marks, 0, k) for k in range(frame.loads.size)]
    )
    np.testing.assert_array_equal(found.blind, [_marked(drawn.marks, 1, k) for k in range(frame.loads.size)])
    for name, errors in drawn.by_option.items():
        (wanted, doubtful), tally = by_loops.counts[name], found.tallies[name]
        for field in dataclasses.fields(Tally):
            ours, theirs = getattr(tally, field.name), getattr(wanted, field.name)
            assert ours.shape == theirs.shape, f"{name}: {field.name}"
            if field.name in ("low", "high"):
                np.testing.assert_allclose(
                    ours, theirs, rtol=1e-9, atol=1e-9, err_msg=f"{name}: {field.name}"
                )
            else:
                # a reading at a limit leaves one place for another
                assert np.abs(ours - theirs).sum() <= 2 * doubtful, f"{name}: {field.name}"
        few = [errors[0][unit, 0, 0, 0, :] for unit in range(min(12, frame.units))]
        np.testing.assert_allclose(found.samples[name], few, rtol=1e-9, atol=1e-9)


def _marked(marks: list[Any], which: int, load: int) -> int:
    return sum(int(each[which][..., load].sum()) for each in marks)


@pytest.mark.parametrize("name", [*CASES, GROWING])
def test_every_way_counts_what_plain_loops_count(name: str, way: dict[str, Any]) -> None:
    """Every count of every option, for each kind of study."""
    by_loops = looped(name)
    assert_counts(run(by_loops.case, plan=by_loops.plan, model=by_loops.model, **way), by_loops)


@pytest.mark.parametrize("name", ["nested", "lot curve", "better points"])
def test_no_cut_changes_a_bit_of_any_way(name: str, way: dict[str, Any]) -> None:
    """Any number of workers, and blocks that divide neither lots nor sections."""
    case, plan = case_and_plan(name)
    whole = run(case, plan=plan, workers=1, **way)
    for workers, block in ((2, None), (3, 13), (1, 50)):
        assert_same_bits(run(case, plan=plan, workers=workers, block=block, **way), whole)


def test_the_cases_reach_what_they_are_named_after() -> None:
    """Units within and beyond in every case, readings at a limit of the circuit, lots, outer draws, looks."""
    plans = {name: case_and_plan(name)[1] for name in (*CASES, GROWING)}
    assert plans["nested"].frame.outer == 3
    assert plans["lots"].frame.by_lot and plans["lots"].frame.outer == 1
    assert plans["conditions"].frame.conditions == ("cold", "warm")
    assert plans["better points"].frame.repeated
    assert len(plans[GROWING].looks) > 1
    clipping = run(case_and_plan("clipping")[0], compiled=False)
    assert clipping.clipped.sum() > 0 and clipping.blind.sum() > 0
    for name, make in CASES.items():
        for tally in run(make(), compiled=False).tallies.values():
            _, by_share, everywhere = tally.within.sum(axis=0)
            assert 0 < everywhere <= by_share, name
            assert everywhere < plans[name].frame.units, name
