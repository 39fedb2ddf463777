"""The chain recorded once: the graph computes what the chain computes, and what cannot be recorded is told."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from graph_by_numpy import evaluated
from pad_study import NONE, ONE_POINT, TWO_POINT, pad_case

from margin.case import Case, load_case
from margin.propagation.fused.trace import traced
from margin.propagation.fused.traced import NotTraceable, Recorder, Traced
from margin.propagation.plan import plan_of
from margin.propagation.run import block_errors, model_of

CASES = Path(__file__).parents[2] / "cases"


def assert_graph_is_chain(case: Case, units: int) -> None:
    """Errors and counts of the graph are those of the chain, to the bit."""
    model = model_of(case)
    trace = traced(model)
    source = model.source(plan_of(case).frame.grouping, 0, units)
    found = evaluated(trace, source, trace.ends)
    wanted = block_errors(model, source, units)
    full = (units, *trace.full)
    for name, nodes in trace.errors.items():
        for node, error in zip(nodes, wanted.by_option[name], strict=True):
            np.testing.assert_array_equal(np.broadcast_to(found[node.number], full), error, err_msg=name)
    for nodes, counts in ((trace.clipped, wanted.clipped), (trace.blind, wanted.blind)):
        counted = [np.count_nonzero(np.broadcast_to(found[n.number], full), axis=(0, 1, 2, 3)) for n in nodes]
        np.testing.assert_array_equal(sum(counted, np.zeros_like(counts)), counts)


@pytest.mark.parametrize("name", ["gripper_amplifier", "gripper_divider"])
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


@pytest.mark.parametrize(
    "option",
    [
        {"kind": "multi-point", "loads": ["6 N", "30 N", "54 N"], "fit": "piecewise"},
        {"kind": "lot-curve", "loads": ["6 N", "30 N", "54 N"]},
    ],
    ids=lambda option: str(option["kind"]),
)
def test_what_has_no_counterpart_in_a_kernel_is_told(option: dict[str, Any]) -> None:
    """Corrections that search, and sample units of a lot, cannot be recorded."""
    case = pad_case(ONE_POINT, option, sensor={"sensitivity": "4 uS +/- 5 % per lot"})
    with pytest.raises(NotTraceable):
        traced(model_of(case))


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
