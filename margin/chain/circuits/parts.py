"""Parts of a circuit as plain functions: resistors, noise, one-pole filters, the sensor's operating point."""

from __future__ import annotations

import numpy as np

from margin.chain.laws import absent, root_of_time
from margin.chain.parameter import Value
from margin.chain.setting import Setting

BOLTZMANN = 1.380649e-23
"""J/K, exact (SI brochure, BIPM, 9th edition)."""

ZERO_CELSIUS = 273.15
"""K."""

NEAREST = 1e-6
"""Share of the reference to which a voltage may come to a value that only an infinite conductance gives."""


LAWS = ("root of time", "film")
"""How resistors drift with age: with the root of time, or as films, with its cube root and by temperature."""


def at_setting(
    nominal: Value,
    tempco: Value,
    ageing: Value,
    setting: Setting,
    law: str = LAWS[0],
    activation: Value = 0.0,
) -> Value:
    """Value of a resistor (ohm) or reference (V): nominal (1 + tempco dT) (1 + ageing growth).

    tempco in 1/K; ageing is the relative change after the first 1000 h; growth is sqrt(age / 1000 h), or by the law
    'film' 2^((service - reference temperature) / 30 K) (age / 1000 h)^(1/3) (both common practice, no source). The age
    includes storage; activation is that of the growth by the root of time, eV (Arrhenius, `Setting.aged_hours`).
    """
    value = nominal
    if not absent(tempco):
        value = value * (1.0 + tempco * setting.warming)
    if not absent(ageing):
        grown = setting.film_drift() if law == "film" else root_of_time(setting.aged_hours(activation))
        value = value * (1.0 + ageing * grown)
    return value


def johnson_density(resistance: Value, temperature: Value) -> Value:
    """Thermal noise voltage of a resistance (ohm) at a temperature (degC), squared density 4 k T R, V2/Hz.

    Johnson 1928 and Nyquist 1928, Physical Review 32, 97 and 110 (from memory).
    """
    return 4.0 * BOLTZMANN * (temperature + ZERO_CELSIUS) * resistance


def johnson_noise(resistance: Value, temperature: Value, bandwidth: Value) -> Value:
    """Thermal noise of a resistance, V rms, over a noise bandwidth (Hz)."""
    result: Value = np.sqrt(johnson_density(resistance, temperature) * bandwidth)
    return result


def noise_bandwidth(time_constant: Value, without: Value) -> Value:
    """Equivalent noise bandwidth of one pole, pi/2 times its corner frequency: 1 / (4 tau), Hz.

    Where tau (s) is 0, there is no pole and `without` (Hz) is taken.
    """
    present = np.not_equal(time_constant, 0.0)
    result: Value = np.where(present, 0.25 / np.where(present, time_constant, 1.0), without)
    return result


def flicker_bandwidth(corner: Value, lowest: Value, time_constant: Value, without: Value) -> Value:
    """Bandwidth, Hz, of white noise that has the power of the flicker noise above a lowest frequency f1 (Hz).

    A density e^2 fc / f with the corner fc (Hz) gives e^2 fc ln(f2 / f1) up to a sharp limit f2, `without`, and
    e^2 fc ln(1 + (fp / f1)^2) / 2 behind one pole of time constant tau (s), fp = 1 / (2 pi tau). Nothing is left
    below f1. Integral of the density; 1/f noise: common practice, no source.
    """
    present = np.not_equal(time_constant, 0.0)
    pole = np.where(present, 0.5 / np.pi, 0.0) / np.where(present, time_constant, 1.0)
    behind_pole = 0.5 * np.log1p((pole / lowest) ** 2)
    result: Value = corner * np.where(present, behind_pole, np.log(np.maximum(without / lowest, 1.0)))
    return result


def one_pole(frequency_ratio: Value) -> Value:
    """Magnitude of a one-pole low pass at f / fc: 1 / sqrt(1 + (f / fc)^2)."""
    result: Value = 1.0 / np.sqrt(1.0 + frequency_ratio * frequency_ratio)
    return result


def lag(first: Value, second: Value) -> Value:
    """Largest departure of a sine from itself behind two poles, relative to its amplitude.

    |1 - 1 / ((1 + j p) (1 + j q))| with p and q the frequency over those of the poles, 0 for a pole that is not
    there. One pole at f / fc = 1 / 7 makes 14.1 %, although it takes only 1 % off the amplitude: the rest is phase.
    """
    together = np.hypot(first + second, first * second)
    result: Value = together * one_pole(first) * one_pole(second)
    return result


def operating_voltage(
    source: Value,
    standing: Value,
    loading: Value,
    output: Value,
    coefficient: Value,
    voltage_reference: Value,
) -> Value:
    """Voltage u (V) across a sensor whose conductance G depends on that voltage itself.

    A linear circuit shows the sensor one port, u = source / (standing + loading * G), and the sensor is
    G = output * (1 + coefficient * (u - voltage_reference)). Together they give the quadratic

        coefficient output loading u^2 + p u - source = 0,
        p = standing + output loading (1 - coefficient voltage_reference)

    solved for the root that is source / p at coefficient 0, in the form without cancellation. Holds while the
    conductance stays positive up to the open-circuit voltage, |coefficient| * u < 1 for a negative one.
    """
    p = standing + output * loading * (1.0 - coefficient * voltage_reference)
    root = np.sqrt(np.maximum(p * p + 4.0 * coefficient * output * loading * source, 0.0))
    result: Value = 2.0 * source / (p + root)
    return result


def phase_margin(
    noise_gain: Value, resistor: Value, capacitor: Value, input_capacitance: Value, gain_bandwidth: Value
) -> Value:
    """Phase margin, degrees, of an amplifier with feedback `resistor` (ohm) and a capacitance at its inverting input.

    noise_gain         N = 1 + Rf G at rest, G the conductance at that input
    capacitor          F, across the feedback resistor; input_capacitance: F, of sensor, cable and amplifier
    gain_bandwidth     Hz; the open-loop gain is taken as gain_bandwidth / (j f): further poles are not in it

    The feedback returns (1 + j f / fp) / (N (1 + j f / fz)) of the output, fp = 1 / (2 pi Rf Cf) and
    fz = N / (2 pi Rf (Ci + Cf)). The loop gain is 1 where, with x = f^2, a = 1 / fp^2, b = 1 / fz^2 and
    K = gain_bandwidth / N:  b x^2 + (1 - a K^2) x - K^2 = 0;  the margin is 90 - atan(f / fz) + atan(f / fp).
    Nyquist 1932, Bode 1945 (from memory); the crossing is solved here. Without G and with Cf far below Ci,
    Cf = sqrt(Ci / (2 pi Rf gain_bandwidth)), where the asymptotes cross, gives 51.8 degrees.
    """
    turn = 2.0 * np.pi * resistor
    a, b = (turn * capacitor) ** 2, (turn * (input_capacitance + capacitor) / noise_gain) ** 2
    square = (gain_bandwidth / noise_gain) ** 2
    p = 1.0 - a * square
    root = np.sqrt(p * p + 4.0 * b * square)
    crossing = np.where(p > 0.0, 2.0 * square / (np.abs(p) + root), (np.abs(p) + root) / (2.0 * b))
    lagging = np.arctan(np.sqrt(b * crossing)) - np.arctan(np.sqrt(a * crossing))
    result: Value = 90.0 - np.degrees(lagging)
    return result
