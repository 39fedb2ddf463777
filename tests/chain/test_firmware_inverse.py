"""What firmware computes: the nominal circuit backwards, its non-ideal terms included."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pad_study import NONE, only, pad_case
from scipy.optimize import brentq
from test_chain_circuits import CASES as NODAL

from margin.chain import (
    BridgeAmplifier,
    Chain,
    Converter,
    DirectInterface,
    Divider,
    Firmware,
    InvertingAmplifier,
    NonInvertingAmplifier,
    Setting,
    StrainGaugeBridge,
    ThinFilm,
)

SETTING = Setting(peak=20.0)
WARM = Setting(temperature=60.0)
LOADS = np.array([2.0, 5.0, 10.0, 20.0])
PAD = ThinFilm(
    sensitivity=20e-6, exponent=0.85, reference_load=5.0, voltage_coefficient=0.02, series_resistance=200.0
)
CELL = StrainGaugeBridge(rated_load=20.0, rated_output=2e-3, bridge_resistance=1000.0)
TERMS: dict[str, float] = {
    "source_resistance": 180.0, "offset": 3e-3, "offset_drift": 4e-6, "bias_current": 4e-8, "bias_drift": 1e-10,
}  # fmt: skip
BRIDGE = BridgeAmplifier(
    reference=3.3, internal_resistor=49.9e3, gain_resistor=150.0, pedestal_ratio=0.1, output_offset=2e-3,
    source_resistance=90.0, offset=2e-5, bias_current=3e-9,
)  # fmt: skip
IDEAL_GAIN = [(dataclasses.replace(circuit, open_loop_gain=0.0), nodal) for circuit, nodal in NODAL]


@pytest.mark.parametrize("circuit", [circuit for circuit, _ in IDEAL_GAIN])
@pytest.mark.parametrize("setting", [SETTING, WARM], ids=["reference", "warm"])
def test_inverse_is_the_root_of_the_forward_equation(circuit: Any, setting: Setting) -> None:
    """output_from finds the conductance that a root search finds on the circuit's voltage.

    The forward voltage is checked against nodal analysis in test_chain_circuits; all terms but the open-loop
    gain are there.
    """
    circuit = dataclasses.replace(circuit, **TERMS, noise_draw=0.0)
    for g in (1e-6, 2e-5, 1e-4, 4e-4):
        volts = float(circuit.voltage(g, setting))
        root = brentq(lambda x, v=volts: circuit.voltage(x, setting) - v, 0.2 * g, 5.0 * g, xtol=1e-16)
        assert circuit.output_from(volts, setting) == pytest.approx(root, rel=1e-7)
        assert circuit.output_from(volts, setting) == pytest.approx(g, rel=1e-8)


@given(st.floats(-4e-3, 4e-3), st.sampled_from([SETTING, WARM]))
@settings(max_examples=40)
def test_bridge_inverse_returns_the_ratio(ratio: float, setting: Setting) -> None:
    """Source resistance, offsets and bias current of the design come out of the ratio again."""
    circuit = dataclasses.replace(BRIDGE, offset_drift=1e-7, bias_drift=1e-11)
    assert circuit.output_from(circuit.voltage(ratio, setting), setting) == pytest.approx(
        ratio, rel=1e-9, abs=1e-12
    )


def test_finite_open_loop_gain_is_not_inverted() -> None:
    """A limit of a data sheet stays an error: firmware does not count on it."""
    circuit = InvertingAmplifier(reference=3.3, feedback=30e3, drive_ratio=0.3, open_loop_gain=1e3)
    short = circuit.output_from(circuit.voltage(5e-5, SETTING), SETTING) / 5e-5 - 1.0
    assert short == pytest.approx(-(1.0 + 30e3 * 5e-5) / 1e3, rel=0.01)
    bridge = BridgeAmplifier(
        reference=3.3, internal_resistor=49.9e3, gain_resistor=150.0, common_mode_rejection=1e4
    )
    assert bridge.output_from(bridge.voltage(1e-3, SETTING), SETTING) - 1e-3 == pytest.approx(0.5e-4)


LEAKY: list[tuple[Any, Any]] = [
    (PAD, dataclasses.replace(circuit, reference=3.3, swing_low=-1e9, **TERMS)) for circuit, _ in IDEAL_GAIN
]
LEAKY.append((CELL, BRIDGE))


@pytest.mark.parametrize(("sensor", "circuit"), LEAKY)
def test_without_tolerances_the_error_is_the_quantisation_alone(sensor: Any, circuit: Any) -> None:
    """At nominal values the true load lies between the loads of half a count less and half a count more."""
    chain = Chain(
        DirectInterface(), sensor, circuit, Converter(bits=16, reference="absolute", full_scale=20.0)
    )
    firmware = Firmware(chain)
    response = chain.respond(LOADS, SETTING)
    assert not np.any(response.clipped)
    near, far = (firmware.force_of(response.code + half, SETTING) for half in (-0.5, 0.5))
    assert np.all(np.minimum(near, far) <= LOADS * (1.0 + 1e-9))
    assert np.all(np.maximum(near, far) >= LOADS * (1.0 - 1e-9))


CIRCUITS: dict[str, dict[str, Any]] = {
    "voltage divider": {"resistor": "60 kohm", "position": "sensor to ground"},
    "inverting amplifier": {"feedback": "47 kohm"},
    "non-inverting amplifier": {"feedback": "47 kohm", "drive_ratio": 0.4},
    "constant current": {"resistor": "5 Mohm", "compliance": "1.2 V"},
}


@pytest.mark.parametrize("kind", CIRCUITS)
def test_case_without_tolerances_has_no_error(kind: str) -> None:
    """A case whose circuit has nominal source resistance, leakage, offset and bias current reads the load."""
    terms = {"source_resistance": "2 kohm", "leakage": "20 nS", "offset": "3 mV", "bias_current": "20 nA"}
    circuit = {"kind": kind, "reference": "1.2 V", **CIRCUITS[kind], **terms}
    found = only(pad_case(NONE, circuit=circuit, study={"units": 10}))
    assert np.abs(found).max() < 1e-6


def test_bridge_case_without_tolerances_has_no_error() -> None:
    """A bridge of 1 kohm behind 50 ohm reads the load at nominal values."""
    case = pad_case(
        NONE,
        sensor={
            "kind": "strain-gauge bridge", "rated_load": "60 N", "rated_output": "2 mV/V",
            "bridge_resistance": "1 kohm",
        },
        circuit={
            "kind": "bridge amplifier", "reference": "3.3 V", "internal_resistor": "50 kohm",
            "gain_resistor": "200 ohm", "source_resistance": "50 ohm", "offset": "20 uV", "bias_current": "5 nA",
            "pedestal_ratio": 0.1,
        },
        study={"units": 10},
    )  # fmt: skip
    assert np.abs(only(case)).max() < 1e-9


@pytest.mark.parametrize(
    "circuit",
    [
        Divider(reference=3.3, resistor=22e3, **TERMS),
        Divider(reference=3.3, resistor=22e3, position="sensor to ground", **TERMS),
        InvertingAmplifier(reference=3.3, feedback=30e3, **TERMS),
        NonInvertingAmplifier(reference=3.3, feedback=30e3, **TERMS),
    ],
)
def test_inverse_stays_finite_beyond_the_range(circuit: Any) -> None:
    """Voltages that no conductance gives come back as numbers."""
    volts = np.array([-5.0, -0.1, 0.0, 3.3, 4.0, 1e3])
    assert np.all(np.isfinite(circuit.output_from(volts, SETTING)))
