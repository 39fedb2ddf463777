"""The chain recorded once: the graph computes what the chain computes, and what cannot be recorded is told."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from graph_by_numpy import evaluated
from pad_study import NONE, TWO_POINT, pad_case

from margin.backends.compiled.graph import POINT
from margin.backends.compiled.operations import NotTraceable, Recorder
from margin.backends.compiled.trace import traced
from margin.backends.compiled.traced import Traced
from margin.case import Case, load_case
from margin.propagation.block import block_errors
from margin.propagation.calibrated import Bench, lot_means
from margin.propagation.model import model_of
from margin.propagation.plan import plan_of

CASES = Path(__file__).parents[2] / "cases"
DIVIDER = {
    "kind": "voltage divider",
    "reference": "3 V",
    "resistor": "100 kohm +/- 1 %",
    "position": "sensor to ground",
}


def assert_graph_is_chain(case: Case, units: int) -> None:
    """Errors and counts of the graph are those of the chain, to the bit."""
    model = model_of(case)
    trace = traced(model)
    source = model.source(plan_of(case).frame.grouping, 0, units)
    bench = Bench(case, source, model.nominal, units)
    means = {each.name: lot_means(each.option, bench) for each in trace.computed.values()}
    found = evaluated(trace, source, trace.ends, means)
    wanted = block_errors(model, source, units)
    full = (units, *trace.full)
    for name, nodes in trace.errors.items():
        for node, error in zip(nodes, wanted.by_option[name], strict=True):
            np.testing.assert_array_equal(np.broadcast_to(found[node.number], full), error, err_msg=name)
    for nodes, counts in ((trace.clipped, wanted.clipped), (trace.blind, wanted.blind)):
        counted = [np.count_nonzero(np.broadcast_to(found[n.number], full), axis=(0, 1, 2, 3)) for n in nodes]
        np.testing.assert_array_equal(sum(counted, np.zeros_like(counts)), counts)


@pytest.mark.parametrize("name", ["gripper_amplifier", "gripper_divider", "load_cell"])
def test_the_graph_of_a_shipped_case_computes_what_its_chain_computes(name: str) -> None:
    """Every option, under every condition of use, to the last bit: the graph is the element source."""
    assert_graph_is_chain(load_case(CASES / name / "case.toml"), 70)


def test_a_strain_gauge_bridge_is_recorded_too() -> None:
    """A bridge behind an instrumentation amplifier, tared and calibrated by a quadratic in its output."""
    quadratic = {
        "kind": "multi-point", "space": "output", "loads": ["6 N", "20 N", "40 N", "60 N"], "degree": 2, "tare": True,
        "weights": "relative",
    }  # fmt: skip
    case = pad_case(
        NONE,
        quadratic,
        sensor={
            "kind": "strain-gauge bridge", "rated_load": "60 N", "rated_output": "2 mV/V +/- 1 %",
            "curvature": "0.1 % +/- 0.1 %", "hysteresis": "0.1 %", "reload_scatter": "0.05 %",
        },
        circuit={
            "kind": "bridge amplifier", "reference": "5 V", "internal_resistor": "80 kohm +/- 0.1 %",
            "gain_resistor": "220 ohm", "pedestal_ratio": 0.05, "offset": "0 uV +/- 50 uV",
        },
        converter={"kind": "converter", "bits": 16, "integral_nonlinearity": 2},
        use={"temperature": "15 degC to 31 degC", "direction": "either", "conditions": 2, "readings": 2},
    )  # fmt: skip
    assert_graph_is_chain(case, 40)


@pytest.mark.parametrize("circuit", [{}, DIVIDER], ids=["rising", "falling"])
@pytest.mark.parametrize("space", ["force", "signal"])
def test_lines_between_points_are_recorded(circuit: dict[str, Any], space: str) -> None:
    """Straight pieces through the calibrated points of each unit, whether its signal rises or falls."""
    option = {"kind": "multi-point", "loads": ["6 N", "30 N", "54 N"], "fit": "piecewise", "space": space}
    assert_graph_is_chain(pad_case(option, **_spread(), circuit=circuit), 60)


@pytest.mark.parametrize("fit", [{"degree": 2}, {"fit": "piecewise"}], ids=["parabola", "lines"])
@pytest.mark.parametrize(
    "way",
    [{}, {"space": "logarithm"}, {"space": "signal", "tare": True, "sample_units": 3}],
    ids=["force", "logarithm", "tared signal"],
)
def test_a_curve_of_the_lot_is_recorded(way: dict[str, Any], fit: dict[str, Any]) -> None:
    """Fitted to the means of each unit's lot, which array operations compute of its sample units."""
    option = {"kind": "lot-curve", "loads": ["6 N", "20 N", "54 N"], **way, **fit}
    tables = {**_spread(), "study": {"units_per_lot": 20, "points": "sobol"}}
    tables["sensor"]["exponent"] = "0.9 +/- 0.03 per lot"
    assert_graph_is_chain(pad_case(option, **tables), 50)


FLAT = ["0 uS", "6 uS", "9 uS", "11 uS", "11.2 uS"]
"""The monotone cubic through them has no slope at the last load."""


@pytest.mark.parametrize("how", ["monotone cubic", "straight"])
@pytest.mark.parametrize("outputs", [FLAT, FLAT[::-1]], ids=["rising", "falling"])
def test_a_measured_curve_is_recorded(how: str, outputs: list[str]) -> None:
    """A tabulated sensor and its inverse, inside the table and beyond both of its ends."""
    sensor = {
        "kind": "tabulated", "loads": ["4 N", "20 N", "30 N", "45 N", "55 N"], "outputs": outputs, "interpolation": how,
        "gain": "1 +/- 5 %", "reload_scatter": "1 %", "temperature_coefficient": "0.1 %/K",
    }  # fmt: skip
    corrected = {**TWO_POINT, "temperature_correction": True}
    case = pad_case(NONE, corrected, sensor=sensor, use={"temperature": "5 degC to 40 degC", "readings": 2})
    assert_graph_is_chain(case, 60)


@pytest.mark.parametrize(
    ("knots", "ends"),
    [((0.0, 0.3, 0.35, 1.0), {}), ((0.2, 0.8), {"left": -1.0, "right": 9.0})],
)
def test_lines_through_a_table_are_those_of_numpy(knots: tuple[float, ...], ends: dict[str, float]) -> None:
    """`np.interp` of a drawn array, at the knots, between them and beyond, to the bit."""
    values = np.cos(5.0 * np.array(knots))
    at = np.concatenate([np.linspace(-0.1, 1.1, 49), knots, [np.nan]]).reshape(-1, 1, 1, 1, 1)
    recorder = Recorder()
    array = Traced.of(recorder, recorder.graph.node("given", (), POINT, "any"))
    node = np.interp(array, knots, values, **ends).node  # type: ignore[call-overload]
    found = evaluated(None, None, (node,), {"any": at})[node.number]
    np.testing.assert_array_equal(found, np.interp(at, knots, values, **ends))


def test_tables_that_cannot_be_read_are_told() -> None:
    """A table that repeats itself, a search among drawn values."""
    recorder = Recorder()
    array = Traced.of(recorder, recorder.graph.node("given", (), POINT, "any"))
    with pytest.raises(NotTraceable, match="repeats"):
        np.interp(array, [0.0, 1.0], [0.0, 1.0], period=1.0)  # type: ignore[call-overload]
    with pytest.raises(NotTraceable, match="among drawn"):
        np.searchsorted(array, 0.5)  # type: ignore[call-overload]


def test_a_branch_on_drawn_values_is_refused() -> None:
    """A recorded array has no values: neither a branch, nor a number, nor a plain array can be had from it."""
    recorder = Recorder()
    array = Traced.of(recorder, recorder.graph.node("given", (), (1, 1, 1, 3), "any"))
    for ask in (bool, float, np.asarray, lambda a: np.sort(a), lambda a: np.any(a > 1.0), lambda a: a[0]):
        with pytest.raises(NotTraceable):
            ask(array)


def test_equal_operations_are_recorded_once() -> None:
    """Two options that share a design curve share its nodes, so that it is computed once."""
    one = len(traced(model_of(pad_case(TWO_POINT, **_spread()))).errors)
    case = pad_case(TWO_POINT, {**TWO_POINT, "name": "again"}, **_spread())
    first, second = traced(model_of(case)).errors.values()
    assert one == 1
    assert first == second


def _spread() -> dict[str, dict[str, Any]]:
    return {"sensor": {"sensitivity": "4 uS +/- 5 %", "reload_scatter": "1 %"}}
