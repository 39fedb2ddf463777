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
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import NDArray

Value = float | NDArray[np.float64]
"""A number or an array that broadcasts over (unit, condition, loading, reading, load)."""

Level = Literal[
    "common", "station", "lot", "unit", "mounting", "calibration", "condition", "loading", "reading"
]
"""Level of variation, for which one draw is made (margin/guide/case_file.md)."""

LEVELS: tuple[Level, ...] = (
    "common", "station", "lot", "unit", "mounting", "calibration", "condition", "loading", "reading",
)  # fmt: skip

CauseName = Literal[
    "temperature", "humidity", "creep", "ageing", "load history", "reloading", "noise",
    "mechanics", "sensor spread", "circuit tolerances", "firmware", "use", "calibration station",
]  # fmt: skip
"""What lies behind a variation, in the trade's words: effects first, then the parts of the product.

'load history' is hysteresis and what selects a point of its loop (branch, peak load); 'creep' is time under load,
'ageing' time in service; 'reloading' is the repeatability of a placement of the load.
"""

CAUSES: tuple[CauseName, ...] = get_args(CauseName)

CAUSE_OF_ROLE: Mapping[str, CauseName] = MappingProxyType(
    {
        "interface": "mechanics",
        "sensor": "sensor spread",
        "circuit": "circuit tolerances",
        "converter": "circuit tolerances",
        "firmware": "firmware",
        "use": "use",
        "station": "calibration station",
    }
)
"""Cause of a quantity that declares none, by the role of its element."""

Grades = Literal["tolerance", "temperature coefficient"]
"""Grades in which a part is sold: by a tolerance that is a share of its value, or by a temperature coefficient."""

GRADES: tuple[Grades, ...] = get_args(Grades)

Figure = Literal["hysteresis", "nonlinearity", "creep", "rated load", "reference time"]
"""What a datasheet states of a sensor and a quantity of the element stands for.

Hysteresis, nonlinearity and creep may be written as datasheet figures of full-scale output or applied load, which a
case converts; 'rated load' and 'reference time' are the quantities to which these figures refer.
"""

FIGURES: tuple[Figure, ...] = get_args(Figure)

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
    cause       what lies behind its variation, one of CAUSES; None for that of the role (CAUSE_OF_ROLE), or for a
                draw that of the field it scales
    grades      grades in which the part is sold; None for a quantity that is no part, or comes in no grades
    figure      the datasheet figure that it stands for, one of FIGURES; None for none
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
    cause: CauseName | None = None
    grades: Grades | None = None
    figure: Figure | None = None

    def cause_in(self, role: str) -> CauseName:
        """The declared cause, or that of the role of the element."""
        return CAUSE_OF_ROLE[role] if self.cause is None else self.cause


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
    cause: CauseName | None = None,
    grades: Grades | None = None,
    figure: Figure | None = None,
) -> Any:
    """Declare a quantity as a dataclass field; without a default the case must state it.

    default_from  field of the same element whose nominal value a case means by leaving this one out
    cause         what lies behind its variation, one of CAUSES; without it that of the role of the element
    grades        'tolerance' or 'temperature coefficient': the quantity is a part that is sold in these grades
    figure        datasheet figure that the quantity stands for, one of FIGURES: a case may then state the figure

    Raises ValueError for an unknown cause, grades or figure, and for grades of a temperature coefficient of a
    quantity that is not in 1/K.
    """
    if figure is not None and figure not in FIGURES:
        raise ValueError(
            f"figure {figure!r} of {doc!r} is unknown: use one of {_listed(FIGURES)}, or leave it out"
        )
    if grades is not None and grades not in GRADES:
        raise ValueError(
            f"grades {grades!r} of {doc!r} are unknown: use one of {_listed(GRADES)}, or leave them out"
        )
    if grades == "temperature coefficient" and unit != "1/K":
        raise ValueError(
            f"grades 'temperature coefficient' of {doc!r} need the unit '1/K' (got {unit!r}): leave them out"
        )
    declared = Parameter(
        unit=unit,
        default=default,
        level=level,
        draw=None,
        minimum=minimum,
        maximum=maximum,
        positive=positive,
        doc=doc,
        default_from=default_from,
        cause=_known(cause, doc),
        grades=grades,
        figure=figure,
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
    cause: CauseName | None = None,
) -> Any:
    """Declare a standardised random draw (nominal: 0 for 'normal', 0.5 for 'uniform').

    scales  quantity that the draw is multiplied by: where that is zero nothing is drawn
    needs   quantities without any of which the draw has no effect
    cause   what lies behind the draw, one of CAUSES; without it that of the quantity it scales, or of the role

    Raises ValueError for an unknown cause.
    """
    centre = 0.0 if shape == "normal" else 0.5
    return dataclasses.field(
        default=centre,
        metadata={
            _KEY: Parameter(
                unit="",
                default=centre,
                level=level,
                draw=shape,
                minimum=None,
                maximum=None,
                positive=False,
                doc=doc,
                scales=scales,
                needs=needs or ((scales,) if scales else ()),
                cause=_known(cause, doc),
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


def _known(cause: CauseName | None, doc: str) -> CauseName | None:
    if cause is not None and cause not in CAUSES:
        raise ValueError(
            f"cause {cause!r} of {doc!r} is unknown: use one of {_listed(CAUSES)}, or leave it out for the cause "
            "of the element's role"
        )
    return cause


def _listed(words: tuple[str, ...]) -> str:
    return ", ".join(map(repr, words))


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
