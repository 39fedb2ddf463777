"""How much faster a test ages a part than its service does."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.constants import Boltzmann, elementary_charge

from distributions.errors import InvalidArgument
from margin.chain.laws import film_of_time

Array = NDArray[np.float64]

ABSOLUTE_ZERO = -273.15
BOLTZMANN_EV = Boltzmann / elementary_charge
"""Boltzmann's constant, eV/K (exact in the SI since 2019; BIPM, SI brochure, 9th edition)."""


def arrhenius_factor(activation_energy: float, in_service: float, in_test: float) -> float:
    """Acceleration of ageing by temperature, Arrhenius: exp(Ea / k (1 / T service - 1 / T test)).

    activation_energy  eV, not negative; in_service, in_test: degC, above absolute zero

    InvalidArgument for other values. NIST/SEMATECH e-Handbook of Statistical Methods, 8.1.5.1.

    >>> round(arrhenius_factor(0.7, 55.0, 125.0))
    78
    """
    if not (math.isfinite(activation_energy) and activation_energy >= 0.0):
        raise InvalidArgument(f"the activation energy is {activation_energy:g} eV; it cannot be negative")
    for name, value in (("in service", in_service), ("in the test", in_test)):
        if not (math.isfinite(value) and value > ABSOLUTE_ZERO):
            raise InvalidArgument(f"the temperature {name} is {value:g} degC; it lies above -273.15 degC")
    cold, warm = in_service - ABSOLUTE_ZERO, in_test - ABSOLUTE_ZERO
    exponent = activation_energy / BOLTZMANN_EV * (1.0 / cold - 1.0 / warm)
    if abs(exponent) > 700.0:
        raise InvalidArgument(
            f"from {in_service:g} to {in_test:g} degC with {activation_energy:g} eV the acceleration is "
            f"e^{exponent:.0f}: no test shows that; the mechanism of ageing is another one there"
        )
    return math.exp(exponent)


def film_resistor_drift(
    hours: float | Array, temperature: float | Array, stated_hours: float, stated_temperature: float
) -> Array:
    """Drift of a film resistor over that stated: 2^(dT / 30 K) (t / t0)^(1/3).

    hours, stated_hours              h, not negative; the stated time above 0
    temperature, stated_temperature  degC, of the film

    InvalidArgument for other values. Common practice, no source.

    >>> float(film_resistor_drift(8000.0, 70.0, 1000.0, 70.0))
    2.0
    """
    if not stated_hours > 0.0:
        raise InvalidArgument(f"the drift is stated after {stated_hours:g} h; it takes a time above 0")
    if not bool(np.all(np.asarray(hours) >= 0.0)):
        raise InvalidArgument("a time in service cannot be negative")
    stated = film_of_time(stated_hours, stated_temperature, stated_temperature)
    return np.asarray(film_of_time(np.asarray(hours), np.asarray(temperature), stated_temperature) / stated)
