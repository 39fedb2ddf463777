"""Moved quantities as a case states them: the case itself, and text for `--change`."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

from distributions import Distribution, Fixed
from distributions.scaling import scaled
from margin.case import units
from margin.case.changes import with_changes
from margin.case.faults import CaseError
from margin.case.spread_table import SHAPES
from margin.case.types import Case, Quantity, Role, Spread
from margin.design.overturning.moves import Move
from margin.estimates.what_if.rerun import plain_number, shown_unit

FIELDS = {"exponent": "shape", "factor": "scale"}
"""Keys of a shape whose field has another name."""


def moved_case(case: Case, moved: Sequence[tuple[Move, float]]) -> Case:
    """The case with quantities moved to coordinates, as a case of its own."""
    for key, quantity in _moved(case, moved).items():
        role, *rest = key.split(".", 1)
        if key.startswith("use.condition."):
            found = tuple(
                dataclasses.replace(c, quantities={**c.quantities, field: quantity})
                if key == f"use.condition.{c.name}.{(field := key.rpartition('.')[2])}"
                else c
                for c in case.conditions
            )
            case = dataclasses.replace(case, conditions=found)
            continue
        elements = {
            name: dataclasses.replace(
                spec,
                quantities={
                    field: dataclasses.replace(q, spreads=quantity.spreads) if q.shared_with == key else q
                    for field, q in spec.quantities.items()
                },
            )
            for name, spec in case.elements.items()
        }
        own: Role = role  # type: ignore[assignment]
        quantities = {**elements[own].quantities, rest[0]: quantity}
        elements[own] = dataclasses.replace(elements[own], quantities=quantities)
        case = dataclasses.replace(case, elements=elements)
    return case


def changes_of(case: Case, moved: Sequence[tuple[Move, float]]) -> dict[str, str]:
    """The same as changes of the file, by key; {} where they have no text that gives just that case."""
    quantities = _moved(case, moved)
    texts: dict[str, str] = {}
    for key, quantity in quantities.items():
        text = text_of(quantity)
        if text is None:
            return {}
        texts[key] = text
    try:
        changed = with_changes(case, texts)
    except (CaseError, ValueError):
        return {}
    return texts if all(_alike(quantity_at(changed, k), q) for k, q in quantities.items()) else {}


def quantity_at(case: Case, key: str) -> Quantity:
    """Quantity of a case at a key such as 'use.condition.cold.temperature'."""
    role, _, field = key.partition(".")
    if key.startswith("use.condition."):
        name, _, field = key.removeprefix("use.condition.").rpartition(".")
        return next(c for c in case.conditions if c.name == name).quantities[field]
    return case.elements[role].quantities[field]  # type: ignore[index]


def _moved(case: Case, moved: Sequence[tuple[Move, float]]) -> dict[str, Quantity]:
    found: dict[str, Quantity] = {}
    for key in dict.fromkeys(move.key for move, _ in moved):
        quantity = quantity_at(case, key)
        for move, u in moved:
            if move.key == key:
                quantity = _one(quantity, move, u)
        left = tuple(s for s in quantity.spreads if not _is_nothing(s))
        found[key] = dataclasses.replace(quantity, spreads=left, band=None)
    return found


def _one(quantity: Quantity, move: Move, u: float) -> Quantity:
    if move.place is None:
        return dataclasses.replace(quantity, nominal=quantity.nominal * move.multiple(u))
    spreads = list(quantity.spreads)
    own = spreads[move.place]
    if move.kind == "size":
        times = move.multiple(u)
        spreads[move.place] = _fixed(own, 0.0) if times == 0.0 else _scaled(own, times)
    elif move.kind == "effect":
        # known: no epistemic uncertainty is left in it, so that every unit has it
        spreads[move.place] = dataclasses.replace(_fixed(own, move.deviation(u)), level=_level(move))
    else:
        spreads.append(_fixed(own, move.deviation(u)))
    return dataclasses.replace(quantity, spreads=tuple(spreads))


def _level(move: Move) -> Any:
    return "condition" if move.role == "use" else "calibration" if move.role == "station" else "unit"


def _scaled(spread: Spread, times: float) -> Spread:
    return dataclasses.replace(spread, distribution=scaled(spread.distribution, times))


def _fixed(spread: Spread, value: float) -> Spread:
    return dataclasses.replace(
        spread, distribution=Fixed(value), measured_on=None, read_as="fixed, as stated"
    )


def _is_nothing(spread: Spread) -> bool:
    return isinstance(spread.distribution, Fixed) and spread.distribution.value == 0.0


def text_of(quantity: Quantity) -> str | None:
    """A quantity as an inline table of a case; None where a spread has a shape that is not written here."""
    label = units.show(quantity.nominal, quantity.unit).rpartition(" ")[2] if quantity.unit else ""
    one = units.to_si(Fraction(1), label, quantity.unit) if label and quantity.unit != "degC" else 1.0
    value = f"{plain_number(quantity.nominal / one)} {label}".strip()
    texts = []
    for spread in quantity.spreads:
        size = max(abs(spread.distribution.mean), abs(spread.distribution.sd))
        shown, step = shown_unit(size, quantity.unit, spread.relative)
        body = _shape(spread.distribution, shown, float(step))
        if body is None:
            return None
        level = {"level": spread.level} | body
        level |= {} if spread.measured_on is None else {"from_units": spread.measured_on}
        texts.append(_table(level))
    return f'{{ value = "{value}", spread = [{", ".join(texts)}] }}' if texts else value


def _table(entries: Mapping[str, Any]) -> str:
    parts = []
    for key, value in entries.items():
        if isinstance(value, Mapping):
            parts.append(f"{key} = {_table(value)}")
        elif isinstance(value, list):
            parts.append(f"{key} = [{', '.join(_plain(each) for each in value)}]")
        else:
            parts.append(f"{key} = {_plain(value)}")
    return f"{{ {', '.join(parts)} }}"


def _plain(value: Any) -> str:
    if isinstance(value, Mapping):
        return _table(value)
    return f'"{value}"' if isinstance(value, str) else str(value)


def _shape(distribution: Distribution, unit: str, step: float) -> dict[str, Any] | None:
    """A shape by its keys, deviations in a unit of so many of the spread's own; None for one without a text."""
    name = next((n for n, shape in SHAPES.items() if shape.cls is type(distribution)), None)
    if name is None:
        return None
    found: dict[str, Any] = {"shape": name}
    shape = SHAPES[name]
    for key in shape.keys:
        value = getattr(distribution, FIELDS.get(key, key), None)
        if value is None or (key in shape.optional and value == 0.0):
            continue
        if key in shape.nested:
            if not isinstance(value, Distribution):
                return None
            inner = _shape(value, unit, step)
            if inner is None:
                return None
            found[key] = inner
        elif key in shape.lists:
            written = [float(each) for each in value]
            deviations = key != "weights"
            found[key] = [_with_unit(v / step, unit) if deviations else plain_number(v) for v in written]
            if not deviations:
                found[key] = [float(each) for each in found[key]]
        else:
            found[key] = (
                _with_unit(float(value) / step, unit) if key in shape.deviations else float(f"{value:.9g}")
            )
    return found


def _with_unit(value: float, unit: str) -> str:
    return f"{plain_number(value)} {unit}".strip()


def _alike(found: Quantity, wanted: Quantity) -> bool:
    """Whether a quantity read from its text is the one that was written, to the digits written."""
    if not math.isclose(found.nominal, wanted.nominal, rel_tol=1e-5, abs_tol=1e-12):
        return False
    if len(found.spreads) != len(wanted.spreads):
        return False
    for one, other in zip(found.spreads, wanted.spreads, strict=True):
        if (one.level, one.relative, one.measured_on) != (other.level, other.relative, other.measured_on):
            return False
        size = max(abs(other.distribution.mean), abs(other.distribution.sd), 1e-300)
        if abs(one.distribution.mean - other.distribution.mean) > 1e-4 * size:
            return False
        if abs(one.distribution.sd - other.distribution.sd) > 1e-4 * size:
            return False
    return True
