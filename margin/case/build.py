"""Elements of the chain from the tables of a case, and from a case."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

from margin.case.bands import Band
from margin.case.quantity import Place, default_quantity
from margin.case.types import Case, ElementSpec, Quantity, Role
from margin.chain.parameter import Parameter, options_of, parameters_of


def element_spec(role: Role, cls: type, table: Any, bands: Mapping[str, Band]) -> ElementSpec:
    """Element of a checked table: what the case states, plausible bands and defaults for the rest.

    bands  of what the case leaves out, by key
    """
    quantities = {}
    for name, declared in parameters_of(cls).items():
        if declared.draw is None:
            stated = getattr(table, name)
            quantities[name] = stated if stated is not None else _unstated(role, name, declared, bands)
    for name, quantity in quantities.items():
        other = parameters_of(cls)[name].default_from
        if other is not None and quantity.nominal == 0.0 and not quantity.spreads:
            quantities[name] = dataclasses.replace(quantity, nominal=quantities[other].nominal)
    options = {name: getattr(table, name) for name in options_of(cls)}
    options |= {name: band.choice for name, band in bands.items() if band.choice is not None}
    return ElementSpec(role, table.kind, cls, quantities, options)


def _unstated(role: Role, name: str, declared: Parameter, bands: Mapping[str, Band]) -> Quantity:
    band = bands.get(name)
    if band is None or band.quantity is None:
        return default_quantity(Place(role, name, declared))
    return dataclasses.replace(band.quantity, defaulted=True, band=band.source)


def foreign_modules(elements: Mapping[Role, ElementSpec]) -> tuple[str, ...]:
    """Modules of elements that are not ours."""
    modules = (spec.cls.__module__ for spec in elements.values())
    return tuple(dict.fromkeys(m for m in modules if m.split(".")[0] != "margin"))


def nominal_element(spec: ElementSpec) -> Any:
    """Element of `spec` with nominal values, standardised draws at their centre.

    Raises ValueError where the element refuses the values.
    """
    return spec.cls(**{name: q.nominal for name, q in spec.quantities.items()}, **spec.options)


def nominal_elements(case: Case) -> dict[Role, Any]:
    """Every element of the case at nominal values, by role."""
    return {role: nominal_element(spec) for role, spec in case.elements.items()}
