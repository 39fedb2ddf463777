"""What of a case ages, and the case at an age: the base of results over age."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable

from margin.case.types import Case, Quantity, Role
from margin.chain.parameter import parameters_of

PARTS: tuple[Role, ...] = ("interface", "sensor", "circuit", "converter")

OF_CYCLES = (
    "sensor.cycle_loss", "sensor.conditioning", "interface.wear", "interface.area_wear", "interface.friction_growth",
)  # fmt: skip
"""Effects of load cycles."""

OF_HOURS_UNDER_LOAD = ("sensor.sustained_creep",)

ACTIVATIONS: dict[str, tuple[str, ...]] = {
    "sensor.ageing_activation": ("sensor.ageing", "sensor.zero_ageing"),
    "circuit.reference_activation": ("circuit.reference_ageing",),
    "converter.reference_activation": ("converter.reference_ageing",),
}
"""Activation energies, and what they hasten or slow."""


def ageing_quantities(case: Case) -> tuple[str, ...]:
    """Keys of quantities of the chain that change with age and are not nil, such as 'sensor.ageing'."""
    return tuple(
        f"{role}.{field}"
        for role in PARTS
        for field, declared in parameters_of(case.elements[role].cls).items()
        if declared.cause == "ageing" and declared.draw is None and f"{role}.{field}" not in ACTIVATIONS
        if present(case.elements[role].quantities.get(field))
    )


def cycles_missing(case: Case) -> tuple[str, ...]:
    """Keys of effects of load cycles that have no effect, since the case states no cycles."""
    return _stated(case, OF_CYCLES) if not _stated(case, ("use.cycles_per_hour",)) else ()


def duty_missing(case: Case) -> tuple[str, ...]:
    """Keys of effects of hours under load that have no effect, since the case states no time under load."""
    return _stated(case, OF_HOURS_UNDER_LOAD) if not _stated(case, ("use.duty",)) else ()


def activations_idle(case: Case) -> tuple[str, ...]:
    """Activation energies that have no effect, since what they belong to does not age."""
    return tuple(key for key in _stated(case, ACTIVATIONS) if not _stated(case, ACTIVATIONS[key]))


def _stated(case: Case, keys: Iterable[str]) -> tuple[str, ...]:
    """Those of the keys that are there and not nil."""
    found = []
    for key in keys:
        role, _, field = key.partition(".")
        if present(case.elements[role].quantities.get(field)):  # type: ignore[index]
            found.append(key)
    return tuple(found)


def present(quantity: Quantity | None) -> bool:
    """Whether a quantity is there and not nil."""
    return quantity is not None and bool(quantity.spreads or quantity.nominal != 0.0)


def at_age(case: Case, age: float) -> Case:
    """The case with all its readings in use at one age, h, under every condition; no draw of another quantity moves."""
    use = case.elements["use"]
    fixed = dataclasses.replace(use.quantities["age"], nominal=age, spreads=())
    elements = {**case.elements, "use": dataclasses.replace(use, quantities={**use.quantities, "age": fixed})}
    conditions = tuple(
        dataclasses.replace(
            each, quantities={name: q for name, q in each.quantities.items() if name != "age"}
        )
        for each in case.conditions
    )
    return dataclasses.replace(case, elements=elements, conditions=conditions)


def calibrated_at(case: Case, age: float) -> Case:
    """The case with units calibrated in the field, at one age, h: any storage lies before it."""
    station, service = case.elements["station"], case.service
    fixed = dataclasses.replace(station.quantities["age"], nominal=age, spreads=())
    return dataclasses.replace(
        case,
        service=None if service is None else dataclasses.replace(service, storage_before="calibration"),
        elements={
            **case.elements,
            "station": dataclasses.replace(station, quantities={**station.quantities, "age": fixed}),
        },
    )


def frozen(case: Case, keys: Iterable[str]) -> Case:
    """The case without the ageing of these quantities: they are nil for every unit, all other draws the same."""
    elements = dict(case.elements)
    for key in keys:
        role, _, field = key.partition(".")
        spec = elements[role]  # type: ignore[index]
        nil = dataclasses.replace(spec.quantities[field], nominal=0.0, spreads=())
        elements[role] = dataclasses.replace(spec, quantities={**spec.quantities, field: nil})  # type: ignore[index]
    return dataclasses.replace(case, elements=elements)
