"""How an element of the chain declares its quantities: one dataclass field each, with its unit.

The declaration is the only place where a quantity is described. The case schema, the default values, the
editor completion and the names of the factors all follow from it, so that an element added by a user is a
dataclass and nothing else.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Value = float | NDArray[np.float64]
"""A number or an array that broadcasts over (unit, condition, loading, reading, load)."""

Level = Literal[
    "common", "station", "lot", "unit", "mounting", "calibration", "condition", "loading", "reading"
]
"""For what one draw is made: see the README on levels of variation."""

LEVELS: tuple[Level, ...] = (
    "common", "station", "lot", "unit", "mounting", "calibration", "condition", "loading", "reading",
)  # fmt: skip

_KEY = "margin"


@dataclass(frozen=True)
class Parameter:
    """What a quantity of an element is.

    unit        SI unit of the value that the element computes with, as the unit library spells it
                ('S', 'N', 'ohm', '1/K', 'delta_degC', 'degC', '' for a plain number)
    default     SI value taken where the case says nothing; None if the case must say
    level       level at which a spread written without a level varies
    draw        None for a quantity with a nominal value; 'normal' or 'uniform' for a standardised random
                draw (N(0, 1) or R(0, 1)) that the element itself scales, such as noise: no key in the case
    minimum     smallest admissible nominal value (inclusive), None without a limit
    maximum     largest admissible nominal value (inclusive), None without a limit
    positive    the nominal value must be above zero
    scales      for a standardised draw: the field of the same element that it is multiplied by
    needs       for a standardised draw: fields of which one must be present, or nothing is drawn
    default_from  the field of the same element whose nominal value a case means where it leaves this one out or
                writes 0: a design value, which does not follow the other field's draws
    doc         one line for the reader of a case file
    """

    unit: str
    default: float | None
    level: Level
    draw: Literal["normal", "uniform"] | None
    minimum: float | None
    maximum: float | None
    positive: bool
    doc: str
    scales: str | None = None
    needs: tuple[str, ...] = ()
    default_from: str | None = None


@dataclass(frozen=True)
class Option:
    """A choice or a whole number of an element that has no spread ('position', 'bits', 'arms')."""

    default: str | int | bool | tuple[float, ...] | None
    choices: tuple[str | int, ...] | None
    kind: type
    doc: str


def parameter(
    unit: str,
    default: float | None = None,
    *,
    doc: str,
    level: Level = "unit",
    minimum: float | None = None,
    maximum: float | None = None,
    positive: bool = False,
    default_from: str | None = None,
) -> Any:
    """Declare a quantity as a dataclass field; without a default the case must state it.

    `default_from` names the field of the same element whose nominal value a case means by leaving this one out.
    """
    declared = Parameter(
        unit, default, level, None, minimum, maximum, positive, doc, default_from=default_from
    )
    if default is None:
        return dataclasses.field(metadata={_KEY: declared})
    return dataclasses.field(default=default, metadata={_KEY: declared})


def draw(
    shape: Literal["normal", "uniform"],
    *,
    level: Level,
    doc: str,
    scales: str | None = None,
    needs: tuple[str, ...] = (),
) -> Any:
    """Declare a standardised random draw (nominal: 0 for 'normal', 0.5 for 'uniform').

    `scales` names the quantity that the draw is multiplied by: where that is zero nothing is drawn. `needs`
    names quantities without any of which the draw has no effect.
    """
    centre = 0.0 if shape == "normal" else 0.5
    return dataclasses.field(
        default=centre,
        metadata={
            _KEY: Parameter(
                "",
                centre,
                level,
                shape,
                None,
                None,
                False,
                doc,
                scales,
                needs or ((scales,) if scales else ()),
            )
        },
    )


def option(
    default: Any = None,
    *,
    doc: str,
    choices: tuple[str | int, ...] | None = None,
    kind: type = str,
    required: bool = False,
) -> Any:
    """Declare a choice without spread as a dataclass field."""
    metadata = {_KEY: Option(None if required else default, choices, kind, doc)}
    if required:
        return dataclasses.field(metadata=metadata)
    return dataclasses.field(default=default, metadata=metadata)


@cache
def parameters_of(element: type) -> Mapping[str, Parameter]:
    """Quantities and standardised draws of an element class, by field name, in order."""
    return MappingProxyType(
        {
            f.name: f.metadata[_KEY]
            for f in dataclasses.fields(element)
            if isinstance(f.metadata.get(_KEY), Parameter)
        }
    )


def options_of(element: type) -> dict[str, Option]:
    """Choices of an element class, by field name, in order."""
    return {
        f.name: f.metadata[_KEY]
        for f in dataclasses.fields(element)
        if isinstance(f.metadata.get(_KEY), Option)
    }
