"""Laws that several elements share: change with time, saturation of a quadratic, terms that are left out."""

from __future__ import annotations

import numpy as np

from margin.chain.parameter import Value

THOUSAND_HOURS = 1000.0

FILM_DOUBLING = 30.0
"""K that double the drift of a film resistor (common practice, no source)."""

BOLTZMANN_EV = 8.617333262e-5
"""Boltzmann's constant, eV/K (exact in the SI since 2019; BIPM, SI brochure, 9th edition)."""

ZERO_CELSIUS = 273.15
"""K."""


def absent(value: Value) -> bool:
    """Whether a term is left out: the plain number 0. Saves whole arrays of additions of nothing."""
    return isinstance(value, int | float) and value == 0


def reciprocal(value: Value) -> Value:
    """1 / value, and 0 where value is 0: a limit of 0 means 'no limit' (open-loop gain, bandwidth)."""
    if absent(value):
        return 0.0
    present = np.not_equal(value, 0.0)
    result: Value = np.where(present, 1.0, 0.0) / np.where(present, value, 1.0)
    return result


def per_decade(time: Value, unit_time: Value) -> Value:
    """log10(1 + time / unit_time): decades passed, 0 at time 0; for ageing (common practice, no source)."""
    result: Value = np.log10(1.0 + time / unit_time)
    return result


def conditioned(cycles: Value, constant: Value) -> Value:
    """1 - exp(-cycles / constant): share of the conditioning done, 0 without cycles (common practice, no source)."""
    result: Value = 1.0 - np.exp(-cycles / constant)
    return result


def film_of_time(age: Value, temperature: Value, reference: Value) -> Value:
    """2^(dT / 30 K) (age / 1000 h)^(1/3): long-term drift of film resistors over that after 1000 h at the reference
    temperature (common practice, no source)."""
    result: Value = np.exp((temperature - reference) * (np.log(2.0) / FILM_DOUBLING)) * np.cbrt(
        age / THOUSAND_HOURS
    )
    return result


def arrhenius(activation: Value, temperature: Value, reference: Value) -> Value:
    """exp(Ea / k (1 / T0 - 1 / T)): hours at the reference temperature that an hour at the temperature stands for.

    activation  Ea, eV; temperature, reference: degC

    Arrhenius; NIST/SEMATECH e-Handbook of Statistical Methods, 8.1.5.1.
    """
    inverse = 1.0 / (reference + ZERO_CELSIUS) - 1.0 / (temperature + ZERO_CELSIUS)
    result: Value = np.exp(activation * inverse / BOLTZMANN_EV)
    return result


def film_hours(temperature: Value, reference: Value) -> Value:
    """8^(dT / 30 K): hours at the reference temperature that an hour of a film resistor stands for, since its drift
    doubles in 30 K and in eight times the time (`film_of_time`)."""
    result: Value = np.exp((temperature - reference) * (3.0 * np.log(2.0) / FILM_DOUBLING))
    return result


def root_of_time(age: Value) -> Value:
    """sqrt(age / 1000 h): growth of the long-term drift of resistors and references.

    Long-term stability stated 'per root of 1000 h' (common practice, no source).
    """
    result: Value = np.sqrt(age / THOUSAND_HOURS)
    return result


def bow(share: Value, curvature: Value) -> Value:
    """share + curvature * 4 share (1 - share): terminal-based nonlinearity, largest at half scale."""
    if absent(curvature):
        return share
    return share + curvature * 4.0 * share * (1.0 - share)


def unbow(bowed: Value, curvature: Value) -> Value:
    """Inverse of `bow` by the root of the quadratic that stays exact for curvature 0.

    Exact up to the vertex of the parabola, which lies above full scale for |curvature| < 0.25; past the
    vertex no share gives `bowed`, and the share of the vertex is returned.
    """
    if absent(curvature):
        return bowed
    slope = 1.0 + 4.0 * curvature
    result: Value = 2.0 * bowed / (slope + np.sqrt(np.maximum(slope * slope - 16.0 * curvature * bowed, 0.0)))
    return result


def loop_weight(force: Value, peak: Value) -> Value:
    """4 u (1 - u) with u = force / peak in [0, 1]: 0 at both ends of the load cycle, 1 in the middle.

    The usual first description of a hysteresis loop (common practice, no source).
    """
    share = np.clip(force / np.maximum(peak, 1e-300), 0.0, 1.0)
    result: Value = 4.0 * share * (1.0 - share)
    return result


def under_load(force: Value, added: Value) -> Value:
    """What the placement of a load adds: nothing without a load, so that a new zero cannot remove it."""
    result: Value = np.where(np.greater(force, 0.0), added, 0.0)
    return result


def loop_slope(force: Value, peak: Value) -> Value:
    """4 (1 - 2u) / peak, 1/N: derivative of `loop_weight` inside the load cycle, and that of its ends beyond."""
    height = np.maximum(peak, 1e-300)
    result: Value = 4.0 * (1.0 - 2.0 * np.clip(force / height, 0.0, 1.0)) / height
    return result
