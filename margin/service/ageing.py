"""What of a case ages, and the case at an age: the base of results over age."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable

from margin.case.types import Case, Quantity, Role
from margin.chain.parameter import parameters_of

PARTS: tuple[Role, ...] = ("interface", "sensor", "circuit", "converter")

OF_CYCLES = ("cycle_loss", "conditioning")


def ageing_quantities(case: Case) -> tuple[str, ...]:
    """Keys of quantities of the chain that change with age and are not nil, such as 'sensor.ageing'."""
    return tuple(
        f"{role}.{field}"
        for role in PARTS
        for field, declared in parameters_of(case.elements[role].cls).items()
        if declared.cause == "ageing" and declared.draw is None
        if _present(case.elements[role].quantities.get(field))
    )


def cycles_missing(case: Case) -> tuple[str, ...]:
    """Keys of effects of load cycles that have no effect, since the case states no cycles."""
    if _present(case.elements["use"].quantities["cycles_per_hour"]):
        return ()
    return tuple(
        f"sensor.{field}" for field in OF_CYCLES if _present(case.elements["sensor"].quantities.get(field))
    )


def _present(quantity: Quantity | None) -> bool:
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
