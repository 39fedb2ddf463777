"""Units of bench columns: what they measure, and how a number in them becomes one in the unit of the bench."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from margin.case.units import UnitError, plain, to_coherent, to_si, unit

Array = NDArray[np.float64]

STANDARD_GRAVITY = 9.80665
"""m/s2, standard acceleration of gravity: 3rd CGPM 1901, ISO 80000-3."""

UNITS: dict[str, str] = {
    "load": "N",
    "time": "s",
    "temperature": "degC",
    "voltage": "V",
    "resistance": "ohm",
    "conductance": "S",
    "ratio": "mV/V",
    "code": "count",
}
"""Fields of a bench and the unit that each is read into."""

_DIMENSIONS = {
    "load": "N",
    "voltage": "V",
    "resistance": "ohm",
    "conductance": "S",
    "time": "s",
    "length": "m",
}
_RATIOS = {"mV/V": (1.0, 1.0), "uV/V": (1.0, 1e3), "V/V": (1e3, 1.0)}
_COUNTS = frozenset(
    ("count", "counts", "lsb", "digit", "digits", "code", "codes", "cts", "inkremente", "adc")
)
_ALIASES = {
    "C": "degC", "°": "degC", "deg C": "degC", "° C": "degC", "F": "degF", "deg F": "degF", "° F": "degF",
    "kp": "kgf", "p": "gf", "lb": "lbf", "lbs": "lbf", "KG": "kg", "Kg": "kg", "gr": "g", "Newton": "N",
    "Std": "h", "Sek": "s", "sek": "s", "Min": "min", "mins": "min", "sec": "s", "hrs": "h", "hours": "h",
    "seconds": "s", "minutes": "min", "Ohms": "ohm", "ohms": "ohm", "Volt": "V", "volts": "V",
    "celsius": "degC", "grams": "g", "gram": "g", "newton": "N", "newtons": "N",
}  # fmt: skip
"""Spellings of laboratories; a pound is read as a pound-force, as a mass is by its weight."""


@dataclass(frozen=True)
class Conversion:
    """value * times / divided + offset, in the unit of the bench."""

    times: float = 1.0
    divided: float = 1.0
    offset: float = 0.0

    def __call__(self, values: Array) -> Array:
        result: Array = values
        if self.times != 1.0:
            result = result * self.times
        if self.divided != 1.0:
            result = result / self.divided
        return result + self.offset if self.offset else result


def tidy(text: str) -> str:
    """A unit as the unit library takes it: typographic signs and laboratory spellings replaced."""
    written = plain(text).strip()
    written = _ALIASES.get(written, written)
    return re.sub(r"^([kKmMG]?)[oO][hH][mM]s?$", lambda match: f"{match[1].replace('K', 'k')}ohm", written)


@lru_cache(maxsize=512)
def kind_of(text: str) -> str | None:
    """What a unit measures: a field of `UNITS`, 'length', or None for anything else."""
    written = tidy(text)
    if written in _RATIOS:
        return "ratio"
    if written.lower() in _COUNTS:
        return "code"
    if written in ("", "%", "ppm"):
        return None
    try:
        found = unit(written)
    except UnitError:
        return None
    if found.dimension == unit("kg").dimension:
        return "load"
    if found.dimension == unit("K").dimension:
        return "temperature" if isinstance(found.factor, Fraction) else None
    for field, example in _DIMENSIONS.items():
        if found.dimension == unit(example).dimension:
            return field
    return None


def is_mass(text: str) -> bool:
    """Whether a load is given as a mass, whose weight under standard gravity is meant."""
    try:
        return unit(tidy(text)).dimension == unit("kg").dimension
    except UnitError:
        return False


@lru_cache(maxsize=512)
def conversion(field: str, text: str) -> Conversion:
    """How numbers of the unit `text` become numbers of a field; UnitError where the unit is of something else."""
    written = tidy(text)
    if kind_of(text) != field:
        raise UnitError(f'"{text}" is not a unit of {field}', text)
    if field == "ratio":
        return Conversion(*_RATIOS[written])
    if field == "code":
        return Conversion()
    if field == "temperature":
        zero = to_si(Fraction(0), written, "degC")
        factor = unit(written).factor
        return Conversion(*_parts(factor), offset=zero)
    if is_mass(text):
        times, divided = _parts(Fraction(to_coherent(Fraction(1), written)[0]).limit_denominator(10**12))
        return Conversion(times * STANDARD_GRAVITY, divided)
    return Conversion(*_parts(Fraction(unit(written).factor) / Fraction(unit(UNITS[field]).factor)))


def _parts(factor: Fraction | float) -> tuple[float, float]:
    """Factor as numerator and denominator, so that 5 mV is the float 0.005 to the last bit."""
    exact = Fraction(factor)
    return float(exact.numerator), float(exact.denominator)
