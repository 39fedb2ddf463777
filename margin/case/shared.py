"""One part behind several keys of a case: its deviation is drawn once and taken by all of them."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence

from margin.case import units
from margin.case.faults import Fault, ValueFault, nearest
from margin.case.levels import check_level
from margin.case.quantity import Place, require_possible
from margin.case.types import ElementSpec, Quantity, Role
from margin.chain.parameter import parameters_of

PARTS: tuple[Role, ...] = ("interface", "sensor", "circuit", "converter", "firmware")
"""Roles whose quantities are of the unit itself; the station and the use are none of its parts."""


def with_shared(
    tables: Sequence[Sequence[str]], elements: dict[Role, ElementSpec], file: str
) -> tuple[dict[Role, ElementSpec], list[Fault]]:
    """The elements with the spreads of the first key of each table at its further keys; what is wrong with the tables.

    tables  names of the quantities of each table [[shared]]; the first states the spreads
    """
    known = {q.name: q for role in PARTS for q in elements[role].quantities.values()}
    found = dict(elements)
    faults: list[Fault] = []
    seen: set[str] = set()
    for number, keys in enumerate(tables, 1):
        table = f"shared {number}"
        wrong = [
            Fault(file, table, "keys", list(keys), reason, mend)
            for reason, mend in _unsound(keys, known, seen)
        ]
        seen.update(keys)
        faults.extend(wrong)
        if wrong:
            continue
        first = known[keys[0]]
        for name in keys[1:]:
            role = _role_of(name)
            spec = found[role]
            try:
                shared = _following(known[name], first, spec)
            except ValueFault as fault:
                reason = f'"{name}" cannot take the deviation of "{keys[0]}": {fault.reason}'
                faults.append(Fault(file, table, "keys", list(keys), reason, fault.mend))
                continue
            field = name.split(".", 1)[1]
            found[role] = dataclasses.replace(spec, quantities={**spec.quantities, field: shared})
    return found, faults


def _unsound(keys: Sequence[str], known: dict[str, Quantity], seen: set[str]) -> Iterator[tuple[str, str]]:
    """Reason and remedy of what is wrong with the keys of one table."""
    for place, name in enumerate(keys):
        if name not in known:
            near = nearest(name, known)
            mend = f'did you mean "{near}"?' if near else "write such as circuit.reference"
            yield f'"{name}" is not a quantity of the interface, sensor, circuit, converter or firmware', mend
        elif name in keys[:place]:
            yield f'"{name}" occurs twice', "keep it once"
        elif name in seen:
            yield f'"{name}" is shared by an earlier table too', "write all keys of one part in one table"
        elif place == 0 and not known[name].spreads:
            mend = f'state one at {name}, such as "+/- 1 %", or put the key that has it first'
            yield f'"{name}" has no tolerance to share', mend
        elif place > 0 and known[name].spreads:
            mend = f'state it at "{keys[0]}" alone'
            yield f'"{name}" has a tolerance of its own', mend


def _following(quantity: Quantity, first: Quantity, spec: ElementSpec) -> Quantity:
    """The quantity with the spreads of `first`. Raises ValueFault where it cannot have them."""
    name, field = quantity.name, quantity.name.split(".", 1)[1]
    for spread in first.spreads:
        check_level(spread.level, spec.role)
        if spread.relative and quantity.nominal == 0.0:
            raise ValueFault("a share of a nominal value of 0 is 0", f"write the value of {name}")
        if not spread.relative and quantity.unit != first.unit:
            one, other = units.dimension_name(first.unit), units.dimension_name(quantity.unit)
            raise ValueFault(f"a difference of a {one} is none of a {other}", "write the tolerance in %")
    place = Place(spec.role, field, parameters_of(spec.cls)[field])
    texts = [f"the {spread.read_as} spread of {first.name}" for spread in first.spreads]
    require_possible(quantity.nominal, list(first.spreads), texts, place)
    return dataclasses.replace(
        quantity, spreads=first.spreads, shared_with=first.name, cause=first.cause, grades=first.grades
    )


def _role_of(name: str) -> Role:
    return next(role for role in PARTS if role == name.split(".")[0])
