"""Self-heating: film and bridge in thermal equilibrium, against root searches and nodal analysis."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from pad_study import NONE, only, pad_case, use_draws
from scipy.optimize import brentq
from test_chain_circuits import Network

from margin.chain import (
    BridgeAmplifier,
    Chain,
    Contact,
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
WARM = Setting(peak=20.0, temperature=45.0)
FILM: dict[str, float] = {"sensitivity": 2e-3, "exponent": 0.9, "reference_load": 5.0}
PAD = ThinFilm(
    **FILM, series_resistance=20.0, temperature_coefficient=-4e-3, temperature_curvature=2e-5,
    offset_conductance=1e-5, offset_temperature_coefficient=1e-7, thermal_resistance=1500.0,
)  # fmt: skip
CELL = StrainGaugeBridge(
    rated_load=20.0, rated_output=2e-3, span_temperature_coefficient=2e-4, zero_temperature_coefficient=1e-7,
    thermal_resistance=30.0, gradient_resistance=1.5, gauge_tempco=4e-5, lead_resistance=2.0,
)  # fmt: skip
BRIDGE = BridgeAmplifier(
    reference=5.0, internal_resistor=49.9e3, gain_resistor=150.0, source_resistance=10.0, pedestal_ratio=0.1
)
CIRCUITS: list[Any] = [
    Divider(reference=3.0, resistor=300.0),
    Divider(reference=3.0, resistor=300.0, position="sensor to ground"),
    InvertingAmplifier(reference=1.2, feedback=150.0, source_resistance=15.0),
    NonInvertingAmplifier(reference=1.2, feedback=150.0, drive_ratio=0.5),
]


def through_equilibrium(load: float, setting: Setting, circuit: Divider) -> float:
    """Voltage, V, of a divider whose film is at the temperature that its own power keeps, by a root search."""

    def film(kelvin: float) -> float:
        w = setting.warming + kelvin
        power_law = 2e-3 * (load / 5.0) ** 0.9 * (1.0 - 4e-3 * w + 2e-5 * w * w)
        return 1.0 / (power_law + 1e-5 + 1e-7 * w)

    def excess(kelvin: float) -> float:
        current = 3.0 / (film(kelvin) + 20.0 + 300.0)
        return 1500.0 * current * current * film(kelvin) - kelvin

    resistance = film(brentq(excess, 0.0, 60.0, xtol=1e-12)) + 20.0
    across = resistance if circuit.position == "sensor to ground" else 300.0
    return 3.0 * across / (resistance + 300.0)


@pytest.mark.parametrize("circuit", CIRCUITS[:2])
@pytest.mark.parametrize("setting", [SETTING, WARM], ids=["reference", "warm"])
@pytest.mark.parametrize("load", [0.5, 5.0, 20.0])
def test_film_is_at_the_temperature_that_its_power_keeps(
    load: float, setting: Setting, circuit: Divider
) -> None:
    """Loop equation, temperature law and heat balance solved together give the voltage of the chain."""
    chain = Chain(DirectInterface(), PAD, circuit, Converter(bits=0))
    found = float(np.asarray(chain.respond(load, setting).voltage))
    assert found == pytest.approx(through_equilibrium(load, setting, circuit), rel=1e-8)
    cold = dataclasses.replace(chain, sensor=dataclasses.replace(PAD, thermal_resistance=0.0))
    assert abs(float(np.asarray(cold.respond(load, setting).voltage)) - found) > 1e-4


def test_first_order_of_a_stiff_drive() -> None:
    """At a sensor voltage u the conductance is G / (1 - a Rth u^2 G): the fixed point of a linear coefficient."""
    pad = ThinFilm(**FILM, temperature_coefficient=-3e-3, thermal_resistance=800.0)
    chain = Chain(
        DirectInterface(), pad, InvertingAmplifier(reference=1.5, feedback=100.0), Converter(bits=0)
    )
    cold = float(np.asarray(pad.output(Contact(10.0), SETTING)))
    expected = cold / (1.0 + 3e-3 * 800.0 * 2.25 * cold)
    assert chain.respond(10.0, SETTING).output == pytest.approx(expected, rel=1e-9)


def test_bridge_with_unequal_gauges_agrees_with_nodal_analysis() -> None:
    """Four gauges at their own temperatures, each 350 ohm (1 +- x) (1 + a T), by Kirchhoff's laws."""
    power = (5.0 / 350.0) ** 2 * 350.0
    x, rises = 2e-3, power * np.array([30.9, 30.1, 30.6, 29.8])
    upper_left, lower_left, lower_right, upper_right = (
        350.0 * (1.0 + sign * x) * (1.0 + 4e-5 * rise)
        for sign, rise in zip((-1, 1, -1, 1), rises, strict=True)
    )
    net = Network(3, 1)
    net.source(0, 5.0)
    for a, b, ohm in ((0, 1, upper_left), (1, -1, lower_left), (0, 2, upper_right), (2, -1, lower_right)):
        net.conductance(a, b, 1.0 / ohm)
    nodal = net.solve()
    # around the bridge from a gauge that raises the output: lower left, upper left, upper right, lower right
    gradient = (rises[1] - rises[0] + rises[3] - rises[2]) / power
    cell = StrainGaugeBridge(
        rated_load=20.0, rated_output=2e-3, gradient_resistance=gradient, gauge_tempco=4e-5
    )
    circuit = BridgeAmplifier(reference=5.0, internal_resistor=49.9e3, gain_resistor=100.0)
    chain = Chain(DirectInterface(), cell, circuit, Converter(bits=0))
    found = float(np.asarray(chain.respond(20.0, SETTING).voltage)) / 500.0
    shift = 5.0 * 1e-5 * gradient * power
    assert abs(shift) > 4e-6
    assert found - 5.0 * x == pytest.approx(shift, rel=1e-12)
    assert nodal[1] - nodal[2] - 5.0 * x == pytest.approx(shift, rel=5e-3)


def test_span_and_zero_of_a_bridge_are_those_of_the_warmer_surroundings() -> None:
    """A bridge that warms itself by 2 K shows the output of one without power in surroundings 2 K warmer."""
    cell = dataclasses.replace(CELL, gradient_resistance=0.0)
    watts = (5.0 / (350.0 + 4.0 + 10.0)) ** 2 * 350.0
    chain = Chain(DirectInterface(), cell, BRIDGE, Converter(bits=0))
    surroundings = Setting(peak=20.0, temperature=25.0 + 30.0 * watts)
    cold = Chain(
        DirectInterface(), dataclasses.replace(cell, thermal_resistance=0.0), BRIDGE, Converter(bits=0)
    )
    for load in (0.0, 10.0, 20.0):
        expected = cold.respond(load, surroundings).output
        assert chain.respond(load, SETTING).output == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("setting", [SETTING, WARM], ids=["reference", "warm"])
@pytest.mark.parametrize("circuit", [*CIRCUITS, BRIDGE])
def test_firmware_takes_nominal_warming_out(circuit: Any, setting: Setting) -> None:
    """The design curve gives the load: it knows the power in the sensor."""
    sensor: Any = CELL if circuit is BRIDGE else dataclasses.replace(PAD, voltage_coefficient=0.02)
    chain = Chain(
        DirectInterface(), sensor, circuit, Converter(bits=0, reference="absolute", full_scale=20.0)
    )
    loads = np.array([0.5, 5.0, 20.0])
    assert Firmware(chain).force_of(chain.respond(loads, setting).code, setting) == pytest.approx(
        loads, rel=1e-7
    )


def test_zero_of_a_case_shifts_by_the_gradient_between_its_gauges() -> None:
    """Every unit reads off by (a/4) its gradient times 5 V x 5 V / 350 ohm, over 1.5 mV/V at 60 N."""
    case = pad_case(
        NONE,
        sensor={
            "kind": "strain-gauge bridge", "rated_load": "60 N", "rated_output": "1.5 mV/V",
            "gradient_resistance": "0 K/W +/- 3 K/W", "gauge_tempco": "40 ppm/K",
        },
        circuit={
            "kind": "bridge amplifier", "reference": "5 V", "internal_resistor": "50 kohm",
            "gain_resistor": "150 ohm", "pedestal_ratio": 0.1,
        },
        study={"units": 30},
    )  # fmt: skip
    newton = 1e-5 * use_draws(case, "sensor.gradient_resistance") * 25.0 / 350.0 / 1.5e-3 * 60.0
    found = only(case)
    assert found == pytest.approx(np.broadcast_to(newton, found.shape), rel=1e-6, abs=1e-9)
    assert float(np.abs(found).max()) > 0.04
