"""The whole chain: inverses, ratiometry, saturation, noise, and facts of the trade."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from margin.chain import (
    CHECKS,
    ELEMENTS,
    BridgeAmplifier,
    Chain,
    ConcentratorInterface,
    ConstantCurrent,
    Contact,
    Converter,
    DirectInterface,
    Divider,
    Firmware,
    InvertingAmplifier,
    NonInvertingAmplifier,
    OutputKind,
    Setting,
    StrainGaugeBridge,
    TabulatedCurve,
    ThinFilm,
    Value,
    element,
    register,
)
from margin.chain.parameter import parameter
from margin.chain.registry import ElementError

SETTING = Setting(peak=20.0)
LOADS = np.array([2.0, 5.0, 10.0, 20.0])
PAD = ThinFilm(sensitivity=20e-6, exponent=0.85, reference_load=5.0)
CURVED = ThinFilm(
    sensitivity=20e-6, exponent=0.85, reference_load=5.0, voltage_coefficient=0.03, turn_on=0.2,
    series_resistance=300.0, offset_conductance=1e-8,
)  # fmt: skip
TABLE = TabulatedCurve(loads=(0.0, 4.0, 10.0, 24.0), outputs=(1e-7, 1.6e-5, 3.4e-5, 7e-5))
RATIO_TABLE = TabulatedCurve(loads=(0.0, 10.0, 24.0), outputs=(0.0, 1e-3, 2.2e-3), output_kind="ratio")
STRAIN = StrainGaugeBridge(rated_load=20.0, strain_per_newton=5e-5, arms="quarter")
RESISTIVE: list[Any] = [
    Divider(reference=3.3, resistor=22e3),
    Divider(reference=3.3, resistor=22e3, position="sensor to ground"),
    InvertingAmplifier(reference=3.3, feedback=30e3, drive_ratio=0.3, bias_ratio=0.05),
    NonInvertingAmplifier(reference=3.3, feedback=30e3, drive_ratio=0.2),
    ConstantCurrent(reference=3.3, resistor=200e3, compliance=3.2),
]
BRIDGE = BridgeAmplifier(reference=3.3, internal_resistor=49.9e3, gain_resistor=150.0)
PAIRS: list[tuple[Any, Any]] = [(s, c) for s in (PAD, CURVED, TABLE) for c in RESISTIVE]
PAIRS += [(STRAIN, BRIDGE), (RATIO_TABLE, BRIDGE)]
INTERFACE = ConcentratorInterface(parallel_stiffness=2e4, stop_force=15.0, stop_share=0.6, preload=0.5)


@given(st.sampled_from(range(len(PAIRS))), st.floats(2.0, 20.0), st.booleans())
@settings(max_examples=120, deadline=None)
def test_firmware_inverts_the_chain_as_designed(which: int, load: float, housed: bool) -> None:
    """force_of(code_of(F)) is F for every sensor in every circuit that accepts it."""
    sensor, circuit = PAIRS[which]
    chain = Chain(INTERFACE if housed else DirectInterface(), sensor, circuit, Converter(bits=0))
    firmware = Firmware(chain)
    assert not chain.respond(load, SETTING).clipped
    assert firmware.force_of(firmware.code_of(load, SETTING), SETTING) == pytest.approx(load, rel=1e-7)


@pytest.mark.parametrize("circuit", RESISTIVE)
def test_quantisation_alone_stays_within_half_a_count(circuit: Any) -> None:
    """With all tolerances at zero the error is that of half a count."""
    chain = Chain(DirectInterface(), PAD, circuit, Converter(bits=16))
    firmware = Firmware(chain)
    code = firmware.code_of(LOADS, SETTING)
    near, far = (firmware.force_of(code + half, SETTING) for half in (-0.5, 0.5))
    low, high = np.minimum(near, far), np.maximum(near, far)
    assert np.all(low <= LOADS * (1 + 1e-9))
    assert np.all(high >= LOADS * (1 - 1e-9))


@pytest.mark.parametrize("circuit", RESISTIVE[:4])
@pytest.mark.parametrize("deviation", [0.01, 0.05])
def test_ratiometric_converter_cancels_the_reference(circuit: Any, deviation: float) -> None:
    """A reference off by up to 5 % changes no code of a ratiometric chain, and all of an absolute one."""
    moved = dataclasses.replace(circuit, reference=3.3 * (1.0 + deviation))
    share = {c.reference: Chain(DirectInterface(), PAD, c, Converter(bits=0)) for c in (circuit, moved)}
    first, second = (np.asarray(c.respond(LOADS, SETTING).counts) for c in share.values())
    assert second == pytest.approx(first, rel=1e-12)
    absolute = Converter(bits=0, reference="absolute", full_scale=5.0)
    first, second = (
        np.asarray(Chain(DirectInterface(), PAD, c, absolute).respond(LOADS, SETTING).counts)
        for c in (circuit, moved)
    )
    assert second / first == pytest.approx(np.full(4, 1.0 + deviation), rel=1e-12)


def test_saturation_is_flagged_and_flat() -> None:
    """Beyond the swing the code stands still and the response says so, below it does not."""
    circuit = InvertingAmplifier(reference=3.3, feedback=60e3, swing_high=3.0)
    chain = Chain(DirectInterface(), PAD, circuit, Converter(bits=12))
    response = chain.respond(np.array([1.0, 2.0, 15.0, 20.0]), SETTING)
    assert list(response.clipped) == [False, False, True, True]
    assert response.code[2] == response.code[3] == np.round(3.0 / 3.3 * 4096)


def test_more_gain_saturates_at_high_load_only() -> None:
    """Raising the feedback resistor first clips the largest loads and leaves the small ones."""
    clipped = []
    for feedback in (10e3, 20e3, 40e3):
        circuit = InvertingAmplifier(reference=3.3, feedback=feedback)
        chain = Chain(DirectInterface(), PAD, circuit, Converter(bits=12))
        clipped.append(chain.respond(LOADS, SETTING).clipped)
    assert [c.sum() for c in clipped] == sorted(c.sum() for c in clipped)
    assert clipped[-1][-1]
    assert not clipped[-1][0]


def test_divider_is_far_less_linear_in_load_than_an_amplifier() -> None:
    """For a pad linear in conductance a divider bends by many percent, the amplifier not at all.

    Common practice, no source.
    """
    pad = ThinFilm(sensitivity=20e-6, reference_load=5.0)
    load = np.linspace(0.0, 20.0, 201)
    departure = []
    for circuit in (RESISTIVE[0], RESISTIVE[2]):
        volts = np.asarray(
            Chain(DirectInterface(), pad, circuit, Converter(bits=0)).respond(load, SETTING).voltage
        )
        line = volts[0] + (volts[-1] - volts[0]) * load / 20.0
        departure.append(np.max(np.abs(volts - line)) / (volts[-1] - volts[0]))
    assert departure[0] > 0.1
    assert departure[1] < 1e-12


def test_higher_drive_resolves_finer_until_it_saturates() -> None:
    """More sensor voltage gives more counts a newton, until the output reaches its limit.

    Common practice, no source.
    """
    rise = []
    for drive in (0.1, 0.2, 0.3):
        circuit = InvertingAmplifier(reference=3.3, feedback=30e3, drive_ratio=drive)
        chain = Chain(DirectInterface(), PAD, circuit, Converter(bits=12))
        rise.append(chain.respond(10.0, SETTING).code - chain.respond(5.0, SETTING).code)
    assert rise[0] < rise[1] < rise[2]
    circuit = InvertingAmplifier(reference=3.3, feedback=30e3, drive_ratio=3.0)
    chain = Chain(DirectInterface(), PAD, circuit, Converter(bits=12))
    assert chain.respond(10.0, SETTING).code == chain.respond(5.0, SETTING).code


def test_hysteresis_peak_is_taken_as_force_at_the_sensor() -> None:
    """Behind a load share the loop still closes at the peak of the load cycle."""
    pad = ThinFilm(sensitivity=2e-5, reference_load=5.0, hysteresis=0.05)
    chain = Chain(ConcentratorInterface(parallel_stiffness=5e5), pad, RESISTIVE[2], Converter(bits=0))
    up = chain.respond(np.array([10.0, 20.0]), Setting(peak=20.0))
    down = chain.respond(np.array([10.0, 20.0]), Setting(peak=20.0, descending=1.0))
    assert down.output[1] == pytest.approx(up.output[1], rel=1e-12)
    assert down.output[0] == pytest.approx(1.05 * up.output[0])


def test_averaging_conversions_averages_the_noise_of_the_circuit_too() -> None:
    """With N conversions the circuit's noise falls by sqrt(N); reload scatter does not."""
    draw = np.array([0.0, 1.0])
    circuit = InvertingAmplifier(
        reference=3.3, feedback=30e3, voltage_noise=1e-6, noise_bandwidth=1e4, noise_draw=draw
    )
    pad = ThinFilm(
        sensitivity=2e-5, reference_load=5.0, reload_scatter=0.02, reload_draw=np.array([[0.0], [1.0]])
    )
    once = Chain(DirectInterface(), pad, circuit, Converter(bits=0)).respond(5.0, SETTING)
    often = Chain(DirectInterface(), pad, circuit, Converter(bits=0, averaging=25)).respond(5.0, SETTING)
    noise = [float(v[0, 1] - v[0, 0]) for v in (np.asarray(once.voltage), np.asarray(often.voltage))]
    assert noise[1] == pytest.approx(noise[0] / 5.0)
    reload = [float(v[1, 0] - v[0, 0]) for v in (np.asarray(once.voltage), np.asarray(often.voltage))]
    assert reload[1] == pytest.approx(reload[0])


def test_input_leakage_drops_across_the_resistance_of_a_divider() -> None:
    """Leakage into the converter lowers the reading by leakage times R || Rs; a follower prevents it."""
    converter = Converter(bits=0, input_leakage=1e-7)
    for buffered, drop in ((False, 1e-7 * 11e3), (True, 0.0)):
        circuit = Divider(reference=3.3, resistor=22e3, buffered=buffered)
        pad = ThinFilm(sensitivity=1.0 / 22e3, reference_load=5.0)
        response = Chain(DirectInterface(), pad, circuit, converter).respond(5.0, SETTING)
        assert response.counts * 3.3 == pytest.approx(1.65 - drop, rel=1e-12)


def test_response_keeps_the_lowest_rank() -> None:
    """Quantities broadcast over the axes; a unit axis alone does not blow up to all of them."""
    pad = ThinFilm(sensitivity=np.full((7, 1, 1, 1, 1), 2e-5), reference_load=5.0)
    chain = Chain(DirectInterface(), pad, RESISTIVE[2], Converter(bits=12))
    assert chain.respond(LOADS.reshape(1, 1, 1, 1, -1), SETTING).code.shape == (7, 1, 1, 1, 4)


def test_blind_below_turn_on() -> None:
    """Below the turn-on load the firmware knows that it sees nothing."""
    pad = ThinFilm(sensitivity=2e-5, reference_load=5.0, turn_on=0.5)
    firmware = Firmware(Chain(DirectInterface(), pad, RESISTIVE[2], Converter(bits=0)))
    code = firmware.code_of(np.array([0.0, 0.4, 2.0]), SETTING)
    assert list(firmware.blind(code, SETTING)) == [True, True, False]


def test_mismatched_sensor_and_circuit_are_refused() -> None:
    """A strain-gauge bridge in a divider is an error that says what fits."""
    with pytest.raises(ValueError, match="choose a circuit that accepts it"):
        Chain(DirectInterface(), STRAIN, RESISTIVE[0], Converter(bits=12))


@dataclass(frozen=True, kw_only=True)
class SaturatingPad:
    """A sensor as a user writes it: conductance Gmax F / (F + Fh)."""

    kind: ClassVar[str] = "saturating pad of the tests"
    output_kind: ClassVar[OutputKind] = "conductance"
    largest: Value = parameter("S", positive=True, doc="conductance under infinite load")
    half_load: Value = parameter("N", positive=True, doc="load at half of it")
    voltage_coefficient: ClassVar[float] = 0.0
    voltage_reference: ClassVar[float] = 1.0

    def output(self, contact: Contact, setting: Setting) -> Value:
        """S."""
        return self.largest * contact.force / (contact.force + self.half_load)

    def force_from(self, output: Value, setting: Setting) -> Value:
        """N."""
        return self.half_load * output / (self.largest - output)


def test_a_sensor_of_ones_own_works_in_the_chain() -> None:
    """A user's dataclass is registered, found by its kind and inverted by the firmware like ours."""
    try:
        assert register("sensor", SaturatingPad) is SaturatingPad
        register("sensor", SaturatingPad)
        found: Any = element("sensor", SaturatingPad.kind)
        chain = Chain(DirectInterface(), found(largest=1e-4, half_load=10.0), RESISTIVE[0], Converter(bits=0))
        firmware = Firmware(chain)
        assert firmware.force_of(firmware.code_of(LOADS, SETTING), SETTING) == pytest.approx(LOADS)
    finally:
        ELEMENTS["sensor"].pop(SaturatingPad.kind, None)


def test_registering_explains_what_is_wrong() -> None:
    """Duplicate kinds, missing methods, missing kinds and unknown roles are told apart."""

    @dataclass(frozen=True)
    class Taken(SaturatingPad):
        kind: ClassVar[str] = "thin film"

    @dataclass(frozen=True)
    class Nameless:
        pass

    with pytest.raises(ElementError, match="taken by ThinFilm"):
        register("sensor", Taken)
    with pytest.raises(ElementError, match="class variable `kind`"):
        register("sensor", Nameless)
    with pytest.raises(ElementError, match="missing are transmit"):
        register("interface", Taken)
    with pytest.raises(ElementError, match="no role"):
        register("antenna", Taken)
    with pytest.raises(ElementError, match="use one of 'thin film'"):
        element("sensor", "crystal")


def check(name: str, chain: Chain, setting: Setting = SETTING) -> tuple[Any, Any]:
    """Value and limit of a design check."""
    found = next(c for c in CHECKS if c.name == name)
    response = chain.respond(LOADS, setting)
    return found.measure(chain, response, LOADS), found.limit(chain, response)


def test_design_checks_by_hand() -> None:
    """Each design check equals what the circuit's equations give for a plain amplifier."""
    pad = ThinFilm(sensitivity=20e-6, reference_load=5.0, current_limit=1e-3)
    circuit = InvertingAmplifier(
        reference=3.3, feedback=30e3, drive_ratio=0.3, capacitor=1e-8, load_resistance=10e3, swing_high=3.2
    )
    chain = Chain(DirectInterface(), pad, circuit, Converter(bits=12))
    volts = 0.99 * 30e3 * 80e-6
    assert check("headroom at the largest load", chain)[0] == pytest.approx(3.2 - volts)
    assert check("sensor current", chain)[0] == pytest.approx(0.99 * 80e-6)
    assert check("sensor current", chain)[1] == 1e-3
    assert check("sensor voltage", chain)[0] == pytest.approx(0.99)
    assert check("sensor voltage", chain)[1] is None
    assert check("amplifier output current", chain)[0] == pytest.approx(volts / 10e3 + 0.99 * 80e-6)
    value, limit = check("bandwidth", chain, Setting(load_frequency=10.0))
    assert (value, limit) == (pytest.approx(1.0 / (2.0 * np.pi * 3e-4)), 70.0)
    per_newton = 0.99 * 30e3 * 4e-6 / 3.3 * 4096
    assert check("counts at the smallest load", chain)[0] == pytest.approx(2.0 * per_newton)
    assert check("resolution", chain)[0] == pytest.approx(1.0 / per_newton)
    assert check("settling at the converter", chain)[0] is None


def test_settling_check_of_a_divider() -> None:
    """The sampling capacitor must settle through R || Rs; the worst load is the lightest."""
    converter = Converter(bits=12, sampling_capacitor=1e-11, sampling_time=1e-6)
    chain = Chain(DirectInterface(), PAD, Divider(reference=3.3, resistor=22e3), converter)
    lightest = 1.0 / (PAD.output(Contact(2.0), SETTING) + 1.0 / 22e3)
    expected = np.exp(-1e-6 / (lightest * 1e-11)) * 4096
    assert check("settling at the converter", chain) == (pytest.approx(expected), 0.5)


def test_headroom_of_a_falling_circuit_is_counted_downwards() -> None:
    """Where the voltage falls with the load the lower limit is the one that threatens."""
    circuit = Divider(reference=3.3, resistor=22e3, position="sensor to ground", swing_low=0.05)
    chain = Chain(DirectInterface(), PAD, circuit, Converter(bits=12))
    assert check("headroom at the largest load", chain)[0] == pytest.approx(
        chain.respond(20.0, SETTING).voltage - 0.05
    )
