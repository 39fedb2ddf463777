"""Designs to choose from: circuits that read a sensor, and the values that each may have."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from margin.case.types import Case, ElementSpec
from margin.chain.circuits import (
    BridgeAmplifier,
    Divider,
    FrontEnd,
    InvertingAmplifier,
    NonInvertingAmplifier,
)
from margin.chain.circuits.divider import POSITIONS
from margin.chain.parameter import options_of, parameters_of
from margin.design.sizing.part_table import Grade, PartTable, SizingError

Array = NDArray[np.float64]

COMPARED: tuple[type[FrontEnd], ...] = (Divider, InvertingAmplifier, NonInvertingAmplifier, BridgeAmplifier)
"""Circuits compared with the one of the case, where they read its sensor."""

OWN_AMPLIFIERS: Mapping[type, str] = {BridgeAmplifier: "instrumentation_amplifier"}


@dataclass(frozen=True)
class Space:
    """One circuit and the values of it that are searched.

    values      nominal values of its fields, SI, but for those searched; options: its choices
    references  V; resistors: ohm, of any grade, ascending; capacitors: F, 0 for none
    ratios      combinations of the fields `cls.ratio_keys`
    own         whether it is the circuit of the case
    """

    name: str
    cls: type[FrontEnd]
    values: Mapping[str, float]
    options: Mapping[str, Any]
    references: tuple[float, ...]
    resistors: tuple[float, ...]
    capacitors: tuple[float, ...]
    ratios: tuple[tuple[float, ...], ...]
    own: bool

    @property
    def gain_key(self) -> str:
        """Field of the resistor that sets the gain."""
        return str(self.cls.gain_key)

    @property
    def ratio_keys(self) -> tuple[str, ...]:
        return tuple(getattr(self.cls, "ratio_keys", ()))

    @property
    def size(self) -> int:
        """Combinations of reference, ratios and resistor."""
        return len(self.references) * len(self.ratios) * len(self.resistors)

    def places(self, numbers: NDArray[np.intp]) -> tuple[NDArray[np.intp], ...]:
        """Places of reference, ratios and resistor of numbered combinations."""
        shape = (len(self.references), len(self.ratios), len(self.resistors))
        return tuple(np.unravel_index(numbers, shape))

    def circuit(self, numbers: NDArray[np.intp], capacitor: Any) -> Any:
        """The circuit of numbered combinations: searched fields of shape (number, 1, 1)."""
        reference, ratio, resistor = self.places(numbers)
        column = np.reshape
        fields: dict[str, Any] = {
            "reference": column(np.array(self.references)[reference], (-1, 1, 1)),
            self.gain_key: column(np.array(self.resistors)[resistor], (-1, 1, 1)),
        }
        chosen = np.array(self.ratios).reshape(len(self.ratios), -1)[ratio]
        fields |= {key: column(chosen[:, place], (-1, 1, 1)) for place, key in enumerate(self.ratio_keys)}
        return self.cls(**{**self.values, **fields, "capacitor": capacitor}, **self.options)

    def weights(self, parts: PartTable) -> NDArray[np.int64]:
        """Number of grades, of resistor and reference, in which each resistor's design comes: (resistor,)."""
        series = [frozenset(parts.resistor_values(grade)) for grade in parts.resistor_grades]
        found = [sum(value in one for one in series) for value in self.resistors]
        return np.array(found, dtype=np.int64) * len(parts.reference_grades)

    def grades(self, resistor: float, parts: PartTable) -> tuple[Grade, ...]:
        """Grades in which a resistor is sold, by cost."""
        found = [grade for grade in parts.resistor_grades if resistor in parts.resistor_values(grade)]
        return tuple(sorted(found, key=lambda grade: grade.cost))

    def cost(
        self, ratios: tuple[float, ...], capacitor: float, resistor: Grade, reference: Grade, parts: PartTable
    ) -> float:
        """Cost of reference, resistors, filter capacitor and amplifier; equal ratios are one pair of resistors."""
        pairs = len({ratio for ratio in ratios if 0.0 < ratio < 1.0})
        bare = issubclass(self.cls, Divider) and not self.options.get("buffered", False)
        amplifier = 0.0 if bare else getattr(parts, OWN_AMPLIFIERS.get(self.cls, "amplifier"))
        filtered = parts.capacitor.cost if capacitor > 0.0 else 0.0
        return reference.cost + resistor.cost * (1 + 2 * pairs) + filtered + float(amplifier)


def spaces_of(case: Case, parts: PartTable, supply: float) -> tuple[Space, ...]:
    """The circuit of the case, then the others that read its sensor.

    Raises SizingError where the circuit has no resistor to size, and where no reference is within the supply.
    """
    spec = case.elements["circuit"]
    if not issubclass(spec.cls, FrontEnd) or spec.cls.gain_key is None:
        raise SizingError(
            f"circuit {spec.kind!r} is no FrontEnd with a gain_key, the field of the resistor that sets its gain: "
            "nothing can be sized; derive its class from margin.chain.circuits.FrontEnd and declare gain_key"
        )
    references = tuple(value for value in parts.references if value <= supply * (1.0 + 1e-9))
    if not references:
        raise SizingError(
            f"{parts.file}: reference.values has none within the supply of {supply:g} V (lowest "
            f"{parts.references[0]:g} V); add one, or state another supply"
        )
    resistors = tuple(sorted({v for grade in parts.resistor_grades for v in parts.resistor_values(grade)}))
    if not resistors:
        raise SizingError(f"{parts.file}: resistor.range holds no number of any series; widen it")
    return tuple(_spaces(case, spec, parts, references, resistors))


def _spaces(
    case: Case,
    spec: ElementSpec,
    parts: PartTable,
    references: tuple[float, ...],
    resistors: tuple[float, ...],
) -> Iterator[Space]:
    first: type[FrontEnd] = spec.cls
    others = (cls for cls in COMPARED if cls is not first and cls.accepts == first.accepts)
    for cls in (first, *others):
        own = cls is first
        values = _values(spec, cls)
        if values is None:
            continue
        for name, options in _variants(spec, cls):
            filtered = not issubclass(cls, BridgeAmplifier) or values["filter_resistor"] > 0.0
            yield Space(
                name=name, cls=cls, values=values, options=options, references=references, resistors=resistors,
                capacitors=(0.0, *parts.capacitors) if filtered else (0.0,),
                ratios=tuple(_ratios(spec, cls, parts)), own=own and options == spec.options,
            )  # fmt: skip


def _values(spec: ElementSpec, cls: Any) -> dict[str, float] | None:
    """Nominal values of the case for fields that are not searched, else defaults; None where one is missing."""
    searched = {"reference", cls.gain_key, "capacitor", *getattr(cls, "ratio_keys", ())}
    values = {}
    for field, declared in parameters_of(cls).items():
        if declared.draw is not None or field in searched:
            continue
        stated = spec.quantities.get(field)
        value = declared.default if stated is None else stated.nominal
        if value is None:
            return None
        values[field] = value
    return values


def _variants(spec: ElementSpec, cls: Any) -> Iterator[tuple[str, dict[str, Any]]]:
    """Names and choices: a divider has the sensor on either side; of its own kind, the case's choices come first."""
    own = cls is spec.cls
    options = {
        key: spec.options[key] if own else declared.default for key, declared in options_of(cls).items()
    }
    if not issubclass(cls, Divider):
        yield spec.kind if own else cls.kind, options
        return
    if not own:
        options["buffered"] = True
    first = options["position"]
    for position in sorted(POSITIONS, key=lambda each: each != first):
        yield f"{cls.kind}, {position}", {**options, "position": position}


def _ratios(spec: ElementSpec, cls: Any, parts: PartTable) -> Iterator[tuple[float, ...]]:
    """Combinations of ratios: those of the table, and those of the case.

    An inverting amplifier on one supply cannot drive its sensor below ground: its bias is at least its drive, unless
    the case itself drives it so.
    """
    keys: tuple[str, ...] = tuple(getattr(cls, "ratio_keys", ()))
    own = {key: spec.quantities[key].nominal for key in keys if cls is spec.cls}
    below = own.get("bias_ratio", np.inf) < own.get("drive_ratio", 0.0)
    choices = []
    for key in keys:
        zero = (0.0,) if key == "pedestal_ratio" or (key == "bias_ratio" and below) else ()
        choices.append(sorted({*zero, *parts.ratios, *([own[key]] if key in own else [])}))
    for combination in itertools.product(*choices):
        chosen = dict(zip(keys, combination, strict=True))
        if below or chosen.get("bias_ratio", np.inf) >= chosen.get("drive_ratio", 0.0):
            yield combination
