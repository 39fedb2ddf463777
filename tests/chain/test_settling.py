"""A sampling capacitor that does not settle, against the circuit integrated phase by phase."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from pad_study import NONE, only, pad_case
from scipy.integrate import solve_ivp

from margin.case import CaseError
from margin.chain import (
    CHECKS,
    BridgeAmplifier,
    Chain,
    ConstantCurrent,
    Converter,
    DirectInterface,
    Divider,
    InvertingAmplifier,
    Setting,
    StrainGaugeBridge,
    ThinFilm,
)

SETTING = Setting(peak=20.0)
PAD = ThinFilm(sensitivity=20e-6, reference_load=5.0)
R = 22e3


def sampled(
    source: float, filtered: float, sampling: float, time: float, resting: float, samples: int
) -> float:
    """Voltage on the sampling capacitor at the end of the last sample of a sequence, source at 1 V.

    At closure the charges of both capacitors are joined, the sampling capacitor being empty; then one equation
    of Kirchhoff for each phase: (Cs + Cf) dV/dt = (1 - V) / R closed, Cf dV/dt = (1 - V) / R open.
    """
    volts = 1.0
    for _ in range(samples):
        volts = filtered * volts / (filtered + sampling)
        volts = _charged(volts, source * (filtered + sampling), time)
        taken = volts
        volts = _charged(volts, source * filtered, resting)
    return taken


def _charged(volts: float, tau: float, duration: float) -> float:
    found = solve_ivp(lambda _, v: (1.0 - v) / tau, (0.0, duration), [volts], rtol=1e-10, atol=1e-13)
    return float(found.y[0, -1])


@pytest.mark.parametrize("filtered", [2e-11, 2e-10, 2e-8])
@pytest.mark.parametrize("interval", [2e-6, 2e-5])
def test_sequence_of_samples_with_a_filter_capacitor(filtered: float, interval: float) -> None:
    """What is missing is that of an endless sequence in which the source recharges the filter capacitor."""
    converter = Converter(bits=12, sampling_capacitor=1e-11, sampling_time=1e-6, sampling_interval=interval)
    samples = 40 + int(12.0 * R * filtered / interval)
    taken = sampled(R, filtered, 1e-11, 1e-6, interval - 1e-6, samples)
    assert converter.unsettled(R, filtered) == pytest.approx(1.0 - taken, rel=1e-4)


def test_rare_samples_start_from_a_full_filter_capacitor() -> None:
    """Without an interval the first sample counts: Cs / (Cs + Cf) at once, whatever the source's resistance."""
    converter = Converter(bits=12, sampling_capacitor=1e-11, sampling_time=1e-6)
    assert converter.unsettled(R, 2e-10) == pytest.approx(
        1.0 - sampled(R, 2e-10, 1e-11, 1e-6, 1e-6, 1), rel=1e-6
    )
    shared = 1e-11 / (1e-11 + 1e-8)
    for resistance in (1e4, 1e5, 1e6):
        assert converter.unsettled(resistance, 1e-8) == pytest.approx(shared, rel=0.01)
    assert shared * 2**12 == pytest.approx(4.092, abs=1e-3)


def test_settling_to_half_a_count() -> None:
    """Without a filter capacitor RC ln(2^(N+1)) settles to half a count of N bits (closed form)."""
    converter = Converter(bits=12, sampling_capacitor=1e-11, sampling_time=1e4 * 1e-11 * np.log(2.0**13))
    assert converter.unsettled(1e4, 0.0) == pytest.approx(0.5 / 2**12)


def check(chain: Chain) -> tuple[Any, Any]:
    """Value and limit of the design check."""
    found = next(c for c in CHECKS if c.name == "settling at the converter")
    loads = np.array([2.0, 5.0, 10.0, 20.0])
    response = chain.respond(loads, SETTING)
    return found.measure(chain, response, loads), found.limit(chain, response)


def test_check_counts_the_filter_capacitor() -> None:
    """A filter of 100 nF behind which 22 kohm alone would never settle lacks a fraction of a count."""
    converter = Converter(bits=12, sampling_capacitor=1e-11, sampling_time=1e-8)
    without = Chain(DirectInterface(), PAD, Divider(reference=3.3, resistor=R), converter)
    behind = Chain(DirectInterface(), PAD, Divider(reference=3.3, resistor=R, capacitor=1e-7), converter)
    buffered = Divider(reference=3.3, resistor=R, capacitor=1e-7, buffered=True)
    assert check(without)[0] > 3000.0
    assert check(behind) == (pytest.approx(4096e-11 / (1e-7 + 1e-11), rel=1e-3), 0.5)
    assert check(Chain(DirectInterface(), PAD, buffered, converter))[0] == 0.0


CIRCUITS: list[tuple[Any, Any]] = [
    (PAD, Divider(reference=3.3, resistor=R, capacitor=1e-9)),
    (PAD, Divider(reference=3.3, resistor=R, position="sensor to ground", capacitor=1e-9)),
    (PAD, ConstantCurrent(reference=3.3, resistor=200e3, compliance=3.2, capacitor=1e-9)),
    (
        StrainGaugeBridge(rated_load=20.0, rated_output=2e-3),
        BridgeAmplifier(
            reference=3.3, internal_resistor=50e3, gain_resistor=100.0, filter_resistor=10e3, capacitor=1e-9
        ),
    ),
]


@pytest.mark.parametrize(("sensor", "circuit"), CIRCUITS)
def test_reading_lacks_what_did_not_settle(sensor: Any, circuit: Any) -> None:
    """The counts of a chain fall short by the share that the integrated sequence of samples lacks."""
    kw: dict[str, Any] = {"sampling_capacitor": 2e-11, "sampling_time": 1e-6, "sampling_interval": 5e-6}
    settled = Chain(DirectInterface(), sensor, circuit, Converter(bits=12)).respond(10.0, SETTING)
    found = Chain(DirectInterface(), sensor, circuit, Converter(bits=12, **kw)).respond(10.0, SETTING)
    source = float(circuit.output_resistance(settled.output, SETTING))
    samples = 40 + int(12.0 * source * 1e-9 / 5e-6)
    taken = sampled(source, 1e-9, 2e-11, 1e-6, 4e-6, samples)
    assert found.counts == pytest.approx(settled.counts * taken, rel=1e-6)
    assert 1.0 - taken > 1e-4


@pytest.mark.parametrize("stated", [{"sampling_capacitor": 1e-11}, {"sampling_time": 1e-7}])
def test_nothing_is_lacking_where_too_little_is_stated(stated: dict[str, float]) -> None:
    """Capacitor or time alone changes no count, nor do both behind an amplifier's output."""
    divider = Divider(reference=3.3, resistor=R)
    plain, half = (
        Chain(DirectInterface(), PAD, divider, Converter(bits=12, **kw)).respond(10.0, SETTING).counts
        for kw in ({}, stated)
    )
    assert half == plain
    amplifier = InvertingAmplifier(reference=3.3, feedback=30e3, drive_ratio=0.2, capacitor=1e-8)
    both = Converter(bits=12, sampling_capacitor=1e-11, sampling_time=1e-7)
    plain, full = (
        Chain(DirectInterface(), PAD, amplifier, converter).respond(10.0, SETTING).counts
        for converter in (Converter(bits=12), both)
    )
    assert full == plain


def test_unsettled_samples_enter_the_force_error_of_a_case() -> None:
    """A divider without tolerances reads low by what its sampling capacitor lacks.

    V (1 - exp(-t / (R || Rs) Cs)), turned into a load by the ideal divider (closed form).
    """
    r, cs, t = 60e3, 1e-11, 2e-6
    case = pad_case(
        NONE,
        circuit={"kind": "voltage divider", "reference": "1.2 V", "resistor": "60 kohm"},
        converter={"bits": 24, "sampling_capacitor": "10 pF", "sampling_time": "2 us"},
        study={"units": 10},
    )
    load = np.asarray(case.check_loads)
    g = 4e-6 * load / 20.0
    volts = 1.2 * r * g / (1.0 + r * g) * (1.0 - np.exp(-t * (g + 1.0 / r) / cs))
    expected = volts / (r * (1.2 - volts)) / 4e-6 * 20.0 - load
    assert only(case)[0, 0, 0, 0] == pytest.approx(expected, rel=1e-3, abs=1e-4)
    assert np.all(expected < -0.005 * load)


def test_an_interval_shorter_than_the_sampling_time_is_refused() -> None:
    """The next sample cannot begin before the last has ended; a case names the key."""
    with pytest.raises(ValueError, match="must not be shorter than sampling_time"):
        Converter(bits=12, sampling_capacitor=1e-11, sampling_time=2e-6, sampling_interval=1e-6)
    stated = {"bits": 12, "sampling_capacitor": "10 pF", "sampling_time": "2 us", "sampling_interval": "1 us"}
    with pytest.raises(CaseError, match=r"\[converter\] sampling_interval"):
        pad_case(NONE, converter=stated)
