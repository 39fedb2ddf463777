"""Parts of a prototype as instruments measure them, one by one: a multimeter on the board, constants read out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from distributions import Stream
from margin.case.types import Case
from margin.chain.arrays import as_array
from margin.diagnosis.effects_of_causes import RESISTORS, SENSOR_GAINS
from margin.diagnosis.occasions import KeptUnits, kept_units
from margin.diagnosis.situation import Situation, has, nominal
from margin.propagation.assemble import drawn_element
from margin.propagation.events import Event

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Measured:
    """One quantity as it is measured on a unit.

    relative, absolute  standard deviation of the measurement, of the value and in its own unit (common practice, no
                        source)
    """

    name: str
    relative: float = 0.0
    absolute: float = 0.0


ON_THE_BOARD = (
    Measured("circuit.reference", relative=1e-3),
    *(Measured(f"circuit.{resistor}", relative=1e-3) for resistor in RESISTORS),
    Measured("circuit.offset", absolute=5e-5),
    Measured("circuit.leakage", relative=0.02, absolute=1e-8),
    Measured("circuit.source_resistance", relative=0.01, absolute=0.2),
    Measured("converter.gain_error", absolute=1e-3),
)
"""V, ohm, V, S, ohm, share of full scale: each contact measured with the board unpowered, or with the drive shorted."""

ROUNDED = 1e-3
"""Standard deviation of a constant as it is read out, of its value: it was rounded."""


def on_the_board(case: Case) -> tuple[Measured, ...]:
    """What a multimeter can measure on the board of a case."""
    return tuple(each for each in ON_THE_BOARD if has(case, each.name))


def measured_values(
    situation: Situation,
    quantities: tuple[Measured, ...],
    units: int,
    seed: int,
    drawn: KeptUnits | None = None,
) -> Array:
    """Measured values of drawn units, (unit, quantity), in the units of the quantities."""
    source = (kept_units(situation.designed, units, seed) if drawn is None else drawn).source
    event, stream = Event("prototype, multimeter"), Stream(seed)
    elements = {
        role: drawn_element(situation.built.elements[role], event, source)
        for role in ("circuit", "converter")
    }
    columns = []
    for each in quantities:
        role, _, field = each.name.partition(".")
        value = as_array(getattr(elements[role], field))
        own = np.broadcast_to(value, (units, 1, 1, 1, 1))[:, 0, 0, 0, 0]
        noise = ndtri(stream.uniforms(f"multimeter, {each.name}", 0, units))
        columns.append(own + np.hypot(each.relative * own, each.absolute) * noise)
    return np.stack(columns, axis=-1)


def constants_read(situation: Situation, units: int, seed: int) -> Array:
    """Constants of the firmware over those of the design, (unit, constant)."""
    names = [name for name in SENSOR_GAINS if has(situation.designed, name)]
    stream = Stream(seed)
    columns = [
        nominal(situation.firmware, name) / nominal(situation.designed, name)
        + ROUNDED * ndtri(stream.uniforms(f"constant, {name}", 0, units))
        for name in names
    ]
    return np.stack(columns, axis=-1)


def has_constants(case: Case) -> bool:
    """Whether firmware counts on a gain of the sensor."""
    return any(has(case, name) for name in SENSOR_GAINS)
