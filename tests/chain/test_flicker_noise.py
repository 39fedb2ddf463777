"""Flicker noise of amplifier and reference: integrals of the density, averaging, ratiometry."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from pad_study import NONE, only, pad_case
from scipy.integrate import quad

from margin.chain import InvertingAmplifier, Setting
from margin.chain.circuits.parts import flicker_bandwidth

E, CORNER = 30e-9, 80.0


def density_between(first: float, last: float, pole: float | None) -> float:
    """Integral of E^2 CORNER / f, V2, over the logarithm of the frequency, behind one pole or sharply limited."""

    def each(log_f: float) -> float:
        f = np.exp(log_f)
        return E * E * CORNER / (1.0 if pole is None else 1.0 + (f / pole) ** 2)

    return float(quad(each, np.log(first), np.log(last), epsabs=0.0, limit=200)[0])


@pytest.mark.parametrize("lowest", [1e-3, 0.1, 10.0])
def test_power_of_the_flicker_noise_is_the_integral_of_its_density(lowest: float) -> None:
    """Up to 1 kHz sharply: e^2 fc ln(f2 / f1); behind a pole of 40 Hz the quadrature up to where nothing is left."""
    sharp = E * E * flicker_bandwidth(CORNER, lowest, 0.0, 1000.0)
    assert sharp == pytest.approx(density_between(lowest, 1000.0, None), rel=1e-9)
    assert sharp == pytest.approx(E * E * CORNER * np.log(1000.0 / lowest), rel=1e-12)
    behind = E * E * flicker_bandwidth(CORNER, lowest, 1.0 / (2.0 * np.pi * 40.0), 1000.0)
    assert behind == pytest.approx(density_between(lowest, 1e8, 40.0), rel=1e-6)


def test_worked_example_of_a_datasheet_band() -> None:
    """30 nV/Hz^0.5 with a corner of 80 Hz makes 576 nV rms from 0.1 Hz to 10 Hz: 30 nV sqrt(80 ln 100)."""
    assert 30e-9 * np.sqrt(flicker_bandwidth(80.0, 0.1, 0.0, 10.0)) == pytest.approx(575.8e-9, rel=1e-3)


def test_no_flicker_noise_is_left_above_the_limit() -> None:
    """A band that ends below the lowest frequency has none, and a corner of 0 neither."""
    assert flicker_bandwidth(CORNER, 0.1, 0.0, 0.05) == 0.0
    assert flicker_bandwidth(0.0, 0.1, 1e-3, 0.0) == 0.0


def test_output_shows_the_noise_gain() -> None:
    """At the output the flicker noise is multiplied by 1 + Rf G."""
    circuit = InvertingAmplifier(
        reference=1.2,
        feedback=60e3,
        voltage_noise=E,
        flicker_corner=CORNER,
        noise_bandwidth=500.0,
        flicker_draw=1.0,
    )
    expected = (1.0 + 60e3 * 12e-6) * E * np.sqrt(CORNER * np.log(5000.0))
    silent = InvertingAmplifier(reference=1.2, feedback=60e3)
    found = circuit.voltage(12e-6, Setting()) - silent.voltage(12e-6, Setting())
    assert found == pytest.approx(expected, rel=1e-8)


CIRCUIT: dict[str, Any] = {"kind": "inverting amplifier", "reference": "1.2 V", "feedback": "60 kohm"}
USE = {"loadings": 2, "readings": 3}


def relative(**tables: dict[str, Any]) -> NDArray[np.float64]:
    """Relative errors of the pad without tolerances, (unit, condition, loading, reading, load)."""
    given = {"use": USE, "study": {"units": 400}, "load": {"check": ["40 N"]}, **tables}
    case = pad_case(NONE, **given)
    return only(case) / np.asarray(case.check_loads)


def test_averaging_leaves_flicker_noise_as_it_is() -> None:
    """Readings of one placement share it, placements do not, and 64 conversions are as bad as one."""
    noise = {"voltage_noise": "20 uV/Hz**0.5", "flicker_corner": "50 Hz", "noise_bandwidth": "0.2 Hz"}
    one, many = (
        relative(circuit={**CIRCUIT, **noise}, converter={"bits": 0, "averaging": n}) for n in (1, 64)
    )
    # 1 + Rf G = 1.48 at 40 N, of 1.2 V x Rf G = 0.576 V
    expected = 20e-6 * 1.48 * np.sqrt(50.0 * np.log(2.0)) / 0.576
    assert np.std(many) == pytest.approx(expected, rel=0.06)
    assert np.std(many.mean(axis=3)) == pytest.approx(np.std(one.mean(axis=3)), rel=0.02)
    assert np.std(many, axis=3).max() < 0.2 * np.std(many)
    assert abs(np.corrcoef(many[:, 0, 0, 0, 0], many[:, 0, 1, 0, 0])[0, 1]) < 0.2


@pytest.mark.parametrize("key", ["reference_noise", "reference_flicker"])
def test_noise_of_a_shared_reference_cancels(key: str) -> None:
    """A ratiometric converter reads the load; one with a reference of its own shows the noise, relative rms."""
    circuit = {**CIRCUIT, key: "0.1 %"}
    assert np.abs(relative(circuit=circuit, converter={"bits": 0})).max() < 1e-12
    apart = {"bits": 0, "reference": "absolute", "full_scale": "1.2 V"}
    assert np.std(relative(circuit=circuit, converter=apart)) == pytest.approx(1e-3, rel=0.06)
    own = relative(circuit=CIRCUIT, converter={**apart, key: "0.1 %"})
    assert np.std(own) == pytest.approx(1e-3, rel=0.06)


def test_averaging_divides_the_white_noise_of_a_reference() -> None:
    """16 conversions take it to a quarter, that of the converter's own reference alike; slow noise stays."""
    apart = {"bits": 0, "reference": "absolute", "full_scale": "1.2 V", "averaging": 16}
    circuit = {**CIRCUIT, "reference_noise": "0.4 %"}
    assert np.std(relative(circuit=circuit, converter=apart)) == pytest.approx(1e-3, rel=0.06)
    own = {**apart, "reference_noise": "0.4 %"}
    assert np.std(relative(circuit=CIRCUIT, converter=own)) == pytest.approx(1e-3, rel=0.06)
    slow = {**apart, "reference_flicker": "0.1 %"}
    assert np.std(relative(circuit=CIRCUIT, converter=slow)) == pytest.approx(1e-3, rel=0.06)
