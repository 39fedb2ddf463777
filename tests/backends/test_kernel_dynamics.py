"""Swinging loads, unsettled samples and the inverse of a non-ideal circuit, recorded and compiled."""

from __future__ import annotations

from typing import Any

import pytest
from pad_study import EVERY_SPREAD, NONE, TWO_POINT, pad_case
from same_counts import assert_same_counts
from test_traced_graph import assert_graph_is_chain

from margin.backends.run import run
from margin.case import Case

TERMS: dict[str, Any] = {
    "source_resistance": "500 ohm +/- 10 %", "leakage": "20 nS +/- 50 %", "offset": "2 mV +/- 1 mV",
    "offset_drift": "5 uV/K", "bias_current": "5 nA +/- 2 nA", "capacitor": "10 nF +/- 10 %",
}  # fmt: skip
SAMPLING: dict[str, Any] = {
    "bits": 14, "noise": 0.5, "sampling_capacitor": "10 pF +/- 20 %", "sampling_time": "2 us",
    "sampling_interval": "0.1 ms",
}  # fmt: skip
CIRCUITS: list[dict[str, Any]] = [
    {"kind": "voltage divider", "reference": "1.2 V", "resistor": "60 kohm +/- 1 %"},
    {
        "kind": "voltage divider", "reference": "1.2 V", "resistor": "60 kohm",
        "position": "sensor to ground",
    },
    {
        "kind": "inverting amplifier", "reference": "1.2 V", "feedback": "47 kohm +/- 1 %",
        "gain_bandwidth": "20 kHz",
    },
    {"kind": "non-inverting amplifier", "reference": "1.2 V", "feedback": "47 kohm", "drive_ratio": 0.4},
    {"kind": "constant current", "reference": "1.2 V", "resistor": "5 Mohm +/- 1 %", "compliance": "1.2 V"},
]  # fmt: skip


def pad(circuit: dict[str, Any], reading: str) -> Case:
    """A pad with spreads at every level under a load that swings."""
    corrected = {**TWO_POINT, "temperature_correction": True}
    use = {**EVERY_SPREAD["use"], "load_frequency": "5 Hz to 15 Hz", "swing_reading": reading}
    tables = {**EVERY_SPREAD, "circuit": {**circuit, **TERMS}, "converter": SAMPLING, "use": use}
    return pad_case(NONE, corrected, **tables)


def bridge(reading: str) -> Case:
    """A load cell whose bridge resistance is drawn, behind a filter."""
    sensor = {
        "kind": "strain-gauge bridge", "rated_load": "60 N", "rated_output": "1.5 mV/V +/- 1 %",
        "bridge_resistance": "350 ohm +/- 2 %", "lead_resistance": "2 ohm", "hysteresis": "0.1 %",
    }  # fmt: skip
    circuit = {
        "kind": "bridge amplifier", "reference": "3 V", "internal_resistor": "80 kohm +/- 0.1 %",
        "gain_resistor": "220 ohm", "pedestal_ratio": 0.05, "offset": "20 uV +/- 50 uV",
        "source_resistance": "20 ohm +/- 5 %", "bias_current": "2 nA +/- 1 nA", "filter_resistor": "10 kohm",
        "capacitor": "100 nF +/- 10 %",
    }  # fmt: skip
    use = {**EVERY_SPREAD["use"], "load_frequency": "10 Hz", "swing_reading": reading}
    return pad_case(
        NONE,
        TWO_POINT,
        sensor=sensor,
        circuit=circuit,
        converter=SAMPLING,
        use=use,
        study=EVERY_SPREAD["study"],
    )


@pytest.mark.parametrize("reading", ["instantaneous", "peak"])
@pytest.mark.parametrize("which", range(len(CIRCUITS) + 1))
def test_swing_and_settling_are_recorded_as_the_chain_computes_them(which: int, reading: str) -> None:
    """Every circuit with all its non-ideal terms: the graph gives the errors of the chain to the last bit."""
    case = pad(CIRCUITS[which], reading) if which < len(CIRCUITS) else bridge(reading)
    assert_graph_is_chain(case, 40)


@pytest.mark.parametrize("which", [0, 2, len(CIRCUITS)])
def test_swing_and_settling_count_as_by_array_operations(which: int) -> None:
    """A divider, an amplifier and a bridge: the compiled kernel gives the same whole numbers."""
    pytest.importorskip("llvmlite", reason="the compiler is an extra")
    case = pad(CIRCUITS[which], "instantaneous") if which < len(CIRCUITS) else bridge("instantaneous")
    assert_same_counts(run(case, compiled=True), run(case, compiled=False), ("kernel", "arrays"))
