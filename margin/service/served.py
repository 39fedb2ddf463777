"""What a unit with nominal values has been through by an age: load cycles, hours under load, equivalent hours."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from margin.case.build import nominal_element
from margin.case.types import Case
from margin.chain.laws import film_hours
from margin.propagation.assemble import served_by
from margin.service.ageing import ACTIVATIONS, present


@dataclass(frozen=True)
class Served:
    """One count up to an age.

    age     h
    what    'hours with storage', 'load cycles', 'load cycles counted by load', 'hours under load', 'equivalent hours'
    by      'sensor.ageing_activation', for equivalent hours; else ''
    value   load cycles, or h
    """

    age: float
    what: str
    by: str
    value: float


def served(case: Case, ages: Sequence[float]) -> tuple[Served, ...]:
    """Counts up to each age, h, with nominal values; hours include storage before use.

    Equivalent hours are those at the reference temperature that age a part as much: by Arrhenius' law for each
    activation energy, for a film resistor by its own (`film_hours`).
    """
    return tuple(each for age in ages for each in _at(case, age))


def _at(case: Case, age: float) -> Iterator[Served]:
    setting, use, profile = served_by(case, age), nominal_element(case.elements["use"]), case.service
    yield Served(age, "hours with storage", "", float(setting.aged_hours()))
    if present(case.elements["use"].quantities["cycles_per_hour"]):
        yield Served(age, "load cycles", "", age * float(use.cycles_per_hour))
        if profile is not None and profile.loads:
            yield Served(age, "load cycles counted by load", "", float(setting.cycles))
    if present(case.elements["use"].quantities["duty"]):
        yield Served(age, "hours under load", "", float(setting.loaded_hours))
    for key in ACTIVATIONS:
        role, _, field = key.partition(".")
        energy = case.elements[role].quantities.get(field)  # type: ignore[index]
        if energy is not None and present(energy):
            yield Served(age, "equivalent hours", key, float(setting.aged_hours(energy.nominal)))
    if has_films(case):
        hours = setting.hours_by(lambda temperature: film_hours(temperature, setting.reference_temperature))
        yield Served(age, "equivalent hours", "circuit.resistor_drift", float(hours))


def has_films(case: Case) -> bool:
    """Whether resistors of the circuit drift as films."""
    circuit = case.elements["circuit"]
    drifts = (
        quantity
        for name, quantity in circuit.quantities.items()
        if name.endswith("_ageing") and name != "reference_ageing"
    )
    return circuit.options.get("resistor_drift") == "film" and any(map(present, drifts))
