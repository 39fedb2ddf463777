"""Copper leads and connector: what their resistance and its change with temperature do to bridge and film."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from pad_study import NONE, errors_of, factor_of, only, pad_case, use_draws
from test_chain_circuits import Network

from margin.chain import (
    BridgeAmplifier,
    Chain,
    Contact,
    Converter,
    DirectInterface,
    Firmware,
    InvertingAmplifier,
    Setting,
    StrainGaugeBridge,
    ThinFilm,
)
from margin.chain.leads import COPPER, both_leads

WARM = Setting(temperature=55.0)
CELL = StrainGaugeBridge(rated_load=20.0, rated_output=2e-3, lead_resistance=1.0, lead_tempco=COPPER)
PAD = ThinFilm(
    sensitivity=2e-3, reference_load=5.0, series_resistance=40.0, lead_resistance=8.0, lead_tempco=COPPER,
    connector_resistance=0.5,
)  # fmt: skip


def test_published_resistance_of_copper() -> None:
    """100 ohm of copper at 20 degC have 139.3 ohm at 120 degC (IEC 60028: 0.00393 /K, from memory)."""
    setting = Setting(temperature=120.0, reference_temperature=20.0)
    assert both_leads(50.0, COPPER, 0.0, setting) == pytest.approx(139.3)
    assert both_leads(50.0, COPPER, 0.7, setting) == pytest.approx(140.0)


def test_copper_leads_desensitise_a_bridge_by_669_ppm_over_30_kelvin() -> None:
    """Span of 350 ohm behind 2 x 1 ohm: (350 + 2) / (350 + 2 (1 + 0.00393 x 30)) - 1 = -669 ppm."""
    span = CELL.output(Contact(20.0), WARM) / CELL.output(Contact(20.0), Setting())
    assert span - 1.0 == pytest.approx(352.0 / (350.0 + 2.0 * 1.1179) - 1.0, rel=1e-9)
    assert span - 1.0 == pytest.approx(-669e-6, abs=0.5e-6)


def test_bridge_behind_leads_connector_and_source_agrees_with_nodal_analysis() -> None:
    """Difference of the output corners of four arms fed through warm copper, connector and source resistance."""
    x, arm, lead, contact, source = 2e-3, 350.0, 2.5 * (1.0 + COPPER * 30.0), 0.4, 20.0
    net = Network(5, 1)
    net.source(0, 5.0)
    net.conductance(0, 1, 1.0 / (source + lead + 0.5 * contact))
    net.conductance(2, -1, 1.0 / (lead + 0.5 * contact))
    for upper, lower, node in ((1.0 - x, 1.0 + x, 3), (1.0 + x, 1.0 - x, 4)):
        net.conductance(1, node, 1.0 / (arm * upper))
        net.conductance(node, 2, 1.0 / (arm * lower))
    nodal = net.solve()
    sensor = dataclasses.replace(CELL, lead_resistance=2.5, connector_resistance=contact)
    circuit = BridgeAmplifier(
        reference=5.0, internal_resistor=49.9e3, gain_resistor=100.0, source_resistance=source
    )
    chain = Chain(DirectInterface(), sensor, circuit, Converter(bits=0))
    volts = float(np.asarray(chain.respond(20.0, WARM).voltage))
    # the bridge resistance between the supply corners changes by the second order of x
    assert volts / 500.0 == pytest.approx(nodal[3] - nodal[4], rel=1e-5)


@pytest.mark.parametrize("load", [0.5, 5.0, 20.0])
def test_film_behind_leads_is_in_series_with_them(load: float) -> None:
    """1 / G is the resistance of the film, 1 / (2 mS F / 5 N), and all that is in series with it, at 55 degC."""
    in_series = 40.0 + 16.0 * (1.0 + 0.00393 * 30.0) + 0.5
    found = PAD.output(Contact(load), WARM)
    assert 1.0 / found == pytest.approx(1.0 / (2e-3 * load / 5.0) + in_series, rel=1e-12)
    assert PAD.force_from(found, WARM) == pytest.approx(load, rel=1e-9)


@pytest.mark.parametrize("sensor", [CELL, PAD])
def test_firmware_that_knows_the_temperature_takes_nominal_leads_out(
    sensor: StrainGaugeBridge | ThinFilm,
) -> None:
    """The design curve at the measured temperature gives the load; that at 25 degC does not."""
    film = InvertingAmplifier(reference=1.2, feedback=100.0, source_resistance=10.0)
    bridge = BridgeAmplifier(
        reference=5.0, internal_resistor=49.9e3, gain_resistor=100.0, source_resistance=90.0
    )
    chain = Chain(
        DirectInterface(),
        sensor,
        bridge if sensor is CELL else film,
        Converter(bits=0, reference="ratiometric"),
    )
    loads = np.array([1.0, 5.0, 12.0])
    codes = chain.respond(loads, WARM).code
    assert Firmware(chain).force_of(codes, WARM) == pytest.approx(loads, rel=1e-9)
    assert np.all(np.abs(Firmware(chain).force_of(codes, Setting()) / loads - 1.0) > 3e-4)


BRIDGE = {
    "kind": "bridge amplifier",
    "reference": "5 V",
    "internal_resistor": "50 kohm",
    "gain_resistor": "100 ohm",
}
CABLE = {
    "kind": "strain-gauge bridge", "rated_load": "60 N", "rated_output": "1.5 mV/V", "lead_resistance": "1 ohm",
}  # fmt: skip


def test_a_connector_is_drawn_for_each_mounting() -> None:
    """The error of a bridge case is 350 / (350 + Rc) with the drawn resistance of its contacts."""
    sensor = {"connector_resistance": "1 ohm +/- 50 %", "lead_resistance": "0 ohm"}
    case = pad_case(NONE, sensor={**CABLE, **sensor}, circuit=BRIDGE, study={"units": 40})
    assert factor_of(case, "sensor.connector_resistance").level == "mounting"
    drawn = 1.0 + use_draws(case, "sensor.connector_resistance")
    found = only(case) / np.asarray(case.check_loads)
    expected = np.broadcast_to(351.0 / (350.0 + drawn) - 1.0, found.shape)
    assert found == pytest.approx(expected, rel=1e-6, abs=1e-12)


def test_leads_of_a_silent_case_are_of_copper() -> None:
    """Where leads are stated their coefficient counts at a band around that of copper; 0 takes it out."""
    tables = {"circuit": BRIDGE, "case": {"unstated": "plausible bands"}}
    silent = pad_case(NONE, sensor=CABLE, **tables)
    assert factor_of(silent, "sensor.lead_tempco").level == "common"
    assert any(line.startswith("sensor.lead_tempco: 0.38 %/K to 0.393 %/K") for line in silent.assumed)
    without = pad_case(NONE, sensor={**CABLE, "lead_resistance": None}, **tables)
    assert any(line.startswith("sensor.lead_tempco") for line in without.defaults)
    stated = pad_case(NONE, sensor={**CABLE, "lead_tempco": 0}, **tables)
    assert not any("lead_tempco" in line for line in (*stated.assumed, *stated.defaults))


def test_temperature_of_use_reaches_the_leads_of_a_case() -> None:
    """A case used at 55 degC loses 669 ppm of every load."""
    sensor, use = {**CABLE, "lead_tempco": "0.393 %/K"}, {"temperature": "55 degC"}
    case = pad_case(NONE, sensor=sensor, circuit=BRIDGE, use=use, study={"units": 10})
    (found,) = errors_of(case).values()
    assert found / np.asarray(case.check_loads) == pytest.approx(-669e-6, abs=0.5e-6)
