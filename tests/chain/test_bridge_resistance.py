"""The resistance of a bridge: what it does to excitation and bias current, and where it is stated."""

from __future__ import annotations

import re

import numpy as np
import pytest
from pad_study import NONE, only, pad_case, use_draws
from test_chain_circuits import Network

from margin.case import CaseError
from margin.chain import BridgeAmplifier, Chain, Converter, DirectInterface, Setting, StrainGaugeBridge

SETTING = Setting()
EXCITATION = 5.0


def corners(
    ratio: float, arm: float, source: float, into_plus: float, into_minus: float
) -> tuple[float, float]:
    """Difference of the output corners and voltage across the bridge, V.

    Four arms of `arm` ohm, two with each sign of a relative change `ratio`. Nodes: 0 excitation, 1 supply corner,
    2 corner at the non-inverting input, 3 corner at the inverting one, from which the input currents are taken.
    """
    net = Network(4, 1)
    net.source(0, EXCITATION)
    net.conductance(0, 1, 1.0 / source)
    net.conductance(1, 2, 1.0 / (arm * (1.0 - ratio)))
    net.conductance(2, -1, 1.0 / (arm * (1.0 + ratio)))
    net.conductance(1, 3, 1.0 / (arm * (1.0 + ratio)))
    net.conductance(3, -1, 1.0 / (arm * (1.0 - ratio)))
    net.inject(2, -into_plus)
    net.inject(3, -into_minus)
    v = net.solve()
    return v[2] - v[3], v[1]


def amplifier(**more: float) -> BridgeAmplifier:
    """Gain 500 behind a bridge."""
    return BridgeAmplifier(reference=EXCITATION, internal_resistor=49.9e3, gain_resistor=100.0, **more)


@pytest.mark.parametrize("arm", [350.0, 1000.0])
@pytest.mark.parametrize("difference", [-40e-9, 0.0, 40e-9])
def test_bias_currents_agree_with_nodal_analysis(arm: float, difference: float) -> None:
    """The difference of the input currents acts on half the bridge resistance; a common part does nothing."""
    common = 200e-9
    nodal, across = corners(0.0, arm, 20.0, common + 0.5 * difference, common - 0.5 * difference)
    circuit = amplifier(bias_current=difference, source_resistance=20.0, bridge_resistance=arm)
    assert circuit.voltage(0.0, SETTING) / 500.0 == pytest.approx(nodal, rel=1e-9, abs=1e-15)
    # the common part of the currents loads the supply by a few microvolt
    assert circuit.sensor_voltage(0.0, SETTING) == pytest.approx(across, abs=1e-5)
    assert nodal == pytest.approx(-0.5 * difference * arm, rel=1e-9, abs=1e-15)


@pytest.mark.parametrize("ratio", [-2e-3, 1e-3, 2e-3])
def test_loaded_bridge_agrees_with_nodal_analysis(ratio: float) -> None:
    """Under load, excitation behind a source resistance and bias current agree to the second order of the ratio."""
    nodal, _ = corners(ratio, 350.0, 20.0, 20e-9, -20e-9)
    circuit = amplifier(bias_current=40e-9, source_resistance=20.0, bridge_resistance=350.0)
    assert circuit.voltage(ratio, SETTING) / 500.0 == pytest.approx(nodal, rel=1e-5)


def test_a_chain_takes_the_bridge_resistance_from_its_sensor() -> None:
    """Arrays of drawn resistances reach the excitation unit by unit."""
    drawn = np.array([340.0, 350.0, 1000.0]).reshape(3, 1, 1, 1, 1)
    sensor = StrainGaugeBridge(rated_load=20.0, rated_output=2e-3, bridge_resistance=drawn)
    chain = Chain(DirectInterface(), sensor, amplifier(source_resistance=50.0), Converter(bits=0))
    expected = EXCITATION * drawn / (drawn + 50.0)
    assert chain.respond(10.0, SETTING).sensor_voltage == pytest.approx(expected, rel=1e-12)


BRIDGE = {
    "kind": "bridge amplifier", "reference": "5 V", "internal_resistor": "50 kohm", "gain_resistor": "100 ohm",
    "source_resistance": "50 ohm", "pedestal_ratio": 0.1,
}  # fmt: skip
CELL = {
    "kind": "strain-gauge bridge", "rated_load": "60 N", "rated_output": "1.5 mV/V",
    "bridge_resistance": "350 ohm +/- 2 %", "lead_resistance": "5 ohm",
}  # fmt: skip


def test_one_draw_serves_desensitisation_and_excitation() -> None:
    """One tolerance of the bridge acts through the leads and through the source with the same draw.

    Of the drive R / (R + 2 RL + Ro) lies across the bridge, relative to the nominal share (closed form: leads,
    source and bridge in one loop).
    """
    case = pad_case(NONE, sensor=CELL, circuit=BRIDGE, study={"units": 50})
    r = 350.0 * (1.0 + use_draws(case, "sensor.bridge_resistance"))
    share = r / (r + 60.0) * 410.0 / 350.0
    found = only(case) / np.asarray(case.check_loads)
    assert found == pytest.approx(np.broadcast_to(share - 1.0, found.shape), rel=1e-9, abs=1e-12)


def test_a_second_statement_is_refused() -> None:
    """The circuit has no bridge resistance of its own, and the message says where it stands."""
    with pytest.raises(CaseError, match=re.escape("it is a key of [sensor]")) as refused:
        pad_case(NONE, sensor=CELL, circuit={**BRIDGE, "bridge_resistance": "1 kohm"})
    assert "[circuit] bridge_resistance" in str(refused.value)
