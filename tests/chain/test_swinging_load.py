"""A load that swings: what filter and amplifier leave of it, against the differential equations of the poles."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from numpy.typing import NDArray
from pad_study import NONE, errors_of, only, pad_case
from scipy.integrate import solve_ivp

from margin.chain import (
    CHECKS,
    Chain,
    ConcentratorInterface,
    Converter,
    DirectInterface,
    Divider,
    InvertingAmplifier,
    NonInvertingAmplifier,
    Setting,
    ThinFilm,
)
from margin.chain.circuits.parts import lag

FREQUENCY = 10.0
PAD = ThinFilm(sensitivity=20e-6, reference_load=5.0, offset_conductance=4e-6)
RF = 30e3
Array = NDArray[np.float64]


def swing(time: Array | float) -> Array:
    """F(t) / F of a load that swings between none and F."""
    return np.asarray(0.5 * (1.0 - np.cos(2.0 * np.pi * FREQUENCY * np.asarray(time))))


def settled_period(*corners: float) -> tuple[Array, Array, Array]:
    """Time (s), swing, and the swing behind poles at these frequencies (Hz), over one period when settled.

    Each pole is tau dy/dt = x - y, integrated from rest over 40 periods.
    """
    taus = 1.0 / (2.0 * np.pi * np.asarray(corners))

    def slope(time: float, state: Array) -> Array:
        return (np.concatenate([[swing(time)], state[:-1]]) - state) / taus

    periods = 40.0
    time = np.linspace(periods, periods + 1.0, 4001) / FREQUENCY
    found = solve_ivp(
        slope, (0.0, time[-1]), np.zeros(len(taus)), t_eval=time, method="LSODA", rtol=1e-9, atol=1e-12
    )
    return time, swing(time), found.y[-1]


def corner_setting(reading: str = "instantaneous", descending: float = 0.0) -> Setting:
    """The load swings, and is read on this branch."""
    return Setting(
        load_frequency=FREQUENCY,
        swing_reading=reading,  # type: ignore[arg-type]
        descending=descending,
        peak=20.0,
    )


def chain_with(corner: float, gain_bandwidth: float = 0.0) -> Chain:
    """An amplifier whose filter pole lies at `corner`, Hz, under a preloaded pad with an offset."""
    circuit = InvertingAmplifier(
        reference=3.3,
        feedback=RF,
        drive_ratio=0.2,
        bias_ratio=0.1,
        capacitor=1.0 / (2.0 * np.pi * RF * corner),
        gain_bandwidth=gain_bandwidth,
    )
    return Chain(ConcentratorInterface(preload=1.5), PAD, circuit, Converter(bits=0))


@pytest.mark.parametrize("ratio", [0.5, 1.0, 7.0, 22.0])
def test_reading_at_any_instant_lags_as_the_integrated_pole(ratio: float) -> None:
    """The deviation is the largest that the integrated pole shows over a cycle, low rising and high falling.

    Preload and offset conductance stand still and are not attenuated.
    """
    _, true, seen = settled_period(ratio * FREQUENCY)
    worst = np.max(np.abs(seen - true))
    chain = chain_with(ratio * FREQUENCY)
    for load in (5.0, 20.0):
        rest, still = (float(chain.respond(x, Setting()).voltage) for x in (0.0, load))
        up = float(chain.respond(load, corner_setting()).voltage)
        down = float(chain.respond(load, corner_setting(descending=1.0)).voltage)
        assert (still - up) / (still - rest) == pytest.approx(worst, rel=1e-5)
        assert (down - still) / (still - rest) == pytest.approx(worst, rel=1e-5)


@pytest.mark.parametrize("ratio", [0.5, 1.0, 7.0, 22.0])
def test_captured_peak_is_that_of_the_integrated_pole(ratio: float) -> None:
    """Firmware that captures the peak reads the largest value of the integrated pole, on either branch."""
    _, _, seen = settled_period(ratio * FREQUENCY)
    chain = chain_with(ratio * FREQUENCY)
    rest, still = (float(chain.respond(x, Setting()).voltage) for x in (0.0, 20.0))
    for descending in (0.0, 1.0):
        read = float(chain.respond(20.0, corner_setting("peak", descending)).voltage)
        assert (read - rest) / (still - rest) == pytest.approx(np.max(seen), rel=1e-6)


def test_two_poles_lag_as_two_integrated_poles() -> None:
    """Filter and closed-loop bandwidth together: lag and peak of two poles in a row."""
    _, true, seen = settled_period(30.0, 50.0)
    mean = 0.5 * (PAD.output(DirectInterface().transmit(20.0, Setting()), Setting()) + 4e-6)
    chain = dataclasses.replace(
        chain_with(30.0, gain_bandwidth=50.0 * (1.0 + RF * float(mean))), interface=DirectInterface()
    )
    rest, still = (float(chain.respond(x, Setting()).voltage) for x in (0.0, 20.0))
    at_any, peak = (
        float(chain.respond(20.0, corner_setting(reading)).voltage) for reading in ("instantaneous", "peak")
    )
    assert (still - at_any) / (still - rest) == pytest.approx(np.max(np.abs(seen - true)), rel=1e-5)
    assert (peak - rest) / (still - rest) == pytest.approx(np.max(seen), rel=1e-6)


def test_figures_of_the_bandwidth_check() -> None:
    """A corner at seven times the load frequency: 1.0 % of the amplitude in size, 14.1 % with the phase.

    Half of either for a swing between none and the peak; closed form (f / fc) / sqrt(1 + (f / fc)^2).
    """
    _, true, seen = settled_period(7.0 * FREQUENCY)
    assert 100.0 * np.max(np.abs(seen - true)) == pytest.approx(7.1, abs=0.05)
    assert 100.0 * (1.0 - np.max(seen)) == pytest.approx(0.5, abs=0.01)
    assert lag(1.0 / 7.0, 0.0) == pytest.approx(1.0 / np.sqrt(50.0), rel=1e-12)
    note = next(c.note for c in CHECKS if c.name == "bandwidth")
    for figure in ("1.0 %", "14.1 %", "0.5 %", "7.1 %"):
        assert figure in note


@pytest.mark.parametrize("position", ["sensor to reference", "sensor to ground"])
def test_divider_lags_nearly_as_its_node_integrated(position: str) -> None:
    """The linearised lag of a divider, whose pole moves with the load, is within a tenth of the node's own.

    C dV/dt = (Vr - V) G - V / R, or (Vr - V) / R - V G, under a conductance that swings; V is then inverted.
    """
    vr, r, corner = 3.3, 22e3, 200.0
    low, high = 20e-6, 60e-6
    circuit = Divider(reference=vr, resistor=r, position=position)
    node = float(circuit.node_resistance(0.5 * (low + high), Setting()))
    capacitor = 1.0 / (2.0 * np.pi * corner * node)
    circuit = dataclasses.replace(circuit, capacitor=capacitor)

    def conductance(time: Array | float) -> Array:
        return low + (high - low) * swing(time)

    def slope(time: float, state: Array) -> Array:
        upper, lower = (
            (conductance(time), 1.0 / r)
            if position == "sensor to reference"
            else (
                1.0 / r,
                conductance(time),
            )
        )
        return np.asarray(((vr - state) * upper - state * lower) / capacitor)

    time = np.linspace(10.0, 11.0, 4001) / FREQUENCY
    found = solve_ivp(slope, (0.0, time[-1]), [1.0], t_eval=time, method="LSODA", rtol=1e-9, atol=1e-12)
    volts = found.y[-1]
    seen = volts / (r * (vr - volts)) if position == "sensor to reference" else (vr - volts) / (r * volts)
    worst = np.max(np.abs(seen - conductance(time)))
    assert high - circuit.followed(low, high, corner_setting()) == pytest.approx(worst, rel=0.1)


def test_a_pedestal_is_not_filtered() -> None:
    """The unloaded output of a non-inverting amplifier stands still however slow its filter is."""
    circuit = NonInvertingAmplifier(reference=3.3, feedback=RF, drive_ratio=0.2, capacitor=1e-3)
    chain = Chain(ConcentratorInterface(preload=1.5), PAD, circuit, Converter(bits=0))
    rest = float(chain.respond(0.0, Setting()).voltage)
    assert chain.respond(0.0, corner_setting()).voltage == pytest.approx(rest, rel=1e-12)
    mean = 0.5 * (rest + float(chain.respond(20.0, Setting()).voltage))
    assert chain.respond(20.0, corner_setting("peak")).voltage == pytest.approx(mean, rel=1e-3)


def test_a_case_reads_a_swinging_load_either_way() -> None:
    """The force error of a case without tolerances is the lag, or the loss of the peak, of a linear pad.

    |1 - H| / 2 and (1 - |H|) / 2 of the load for one pole at seven times the load frequency.
    """
    capacitor = f"{1e9 / (2.0 * np.pi * 60e3 * 7.0 * FREQUENCY):.12g} nF"
    ratio = 1.0 / 7.0
    expected = {
        "instantaneous": -0.5 * ratio / np.hypot(1.0, ratio),
        "peak": -0.5 * (1.0 - 1.0 / np.hypot(1.0, ratio)),
    }
    for reading, share in expected.items():
        case = pad_case(
            NONE,
            circuit={"capacitor": capacitor},
            use={"load_frequency": "10 Hz", "swing_reading": reading},
            study={"units": 10},
        )
        noiseless = only(case).mean(axis=0)[0, 0, 0]
        assert noiseless / np.asarray(case.check_loads) == pytest.approx(np.full(7, share), rel=1e-3)
    default = pad_case(
        NONE, circuit={"capacitor": capacitor}, use={"load_frequency": "10 Hz"}, study={"units": 10}
    )
    named = pad_case(
        NONE,
        circuit={"capacitor": capacitor},
        use={"load_frequency": "10 Hz", "swing_reading": "instantaneous"},
        study={"units": 10},
    )
    assert np.array_equal(errors_of(default)["none"], errors_of(named)["none"])
