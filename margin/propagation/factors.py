"""From the quantities of a case to its factors: what varies, at which level, and how."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from distributions import Distribution, Normal, Rectangular
from margin.case.types import ROLES, Case, ElementSpec, Quantity, Role
from margin.chain.parameter import CauseName, Grades, Level, Parameter, parameters_of


@dataclass(frozen=True)
class Factor:
    """One cause of variation.

    name          for people: 'circuit.feedback per unit'
    quantity      'circuit.feedback', or the standardised draw's field 'circuit.noise_draw'
    role, level   where it belongs and for what it is drawn
    distribution  of the deviation from nominal, or of the standardised draw
    relative      the deviation is a share of the nominal value
    cause         what lies behind it, as its field declares; see `margin.chain.parameter`
    grades        grades in which the part is sold; None without any
    measured_on   number of units behind the spread; its mean and standard deviation are then uncertain
    standardised  the factor is a standardised draw that the element itself scales
    scales        for a standardised draw: the field whose value it is multiplied by
    condition     name of the condition of use that has the quantity for itself; None where it holds for all
    """

    name: str
    quantity: str
    role: Role
    level: Level
    distribution: Distribution
    relative: bool
    cause: CauseName
    grades: Grades | None = None
    measured_on: int | None = None
    standardised: bool = False
    scales: str | None = None
    condition: str | None = None

    @property
    def reloading(self) -> bool:
        """Whether it is scatter from placement to placement of the load."""
        return self.level == "loading" and self.cause == "reloading"

    @property
    def knowledge_name(self) -> str:
        """Name of the uncertain mean and spread of this factor, a factor of level `common`."""
        return f"{self.name} (from {self.measured_on} units)"

    @property
    def knowledge_stream(self) -> str:
        """Stream of its uncertain mean and spread: the same for any number of units, so that their effect is paired."""
        return f"{self.name} (from few units)"


_STANDARD: dict[str, Distribution] = {"normal": Normal(0.0, 1.0), "uniform": Rectangular(0.0, 1.0)}


def spread_factors(quantity: Quantity, role: Role, condition: str | None = None) -> tuple[Factor, ...]:
    """Factors of one quantity, one for each of its spreads, in order.

    condition  name of the condition of use that has the quantity for itself: 'use.temperature (cold) per condition'

    Those of a shared quantity are the factors of the quantity that it shares them with.
    """
    found: list[Factor] = []
    origin = quantity.name
    if quantity.shared_with is not None:
        origin = quantity.shared_with
        role = next(each for each in ROLES if each == origin.split(".")[0])
    whose = origin if condition is None else f"{origin} ({condition})"
    for spread in quantity.spreads:
        name = f"{whose} per {spread.level}"
        twins = sum(f.name == name or f.name.startswith(f"{name} (") for f in found)
        if twins:
            name = f"{name} ({twins + 1})"
        found.append(
            Factor(
                name=name,
                quantity=origin,
                role=role,
                level=spread.level,
                distribution=spread.distribution,
                relative=spread.relative,
                cause=quantity.cause,
                grades=quantity.grades,
                measured_on=spread.measured_on,
                condition=condition,
            )
        )
    return tuple(found)


def draw_factor(spec: ElementSpec, field: str, declared: Parameter) -> Factor | None:
    """Factor of a standardised draw; None where what it needs is absent (0, without spread).

    A draw that declares no cause has that of the field it scales.
    """
    if declared.draw is None:
        raise ValueError(f"{spec.role}.{field} is not a standardised draw")
    needed = [spec.quantities[name] for name in declared.needs]
    if needed and all(q.nominal == 0.0 and not q.spreads for q in needed):
        return None
    what = field.removesuffix("_draw") if declared.scales is None else declared.scales
    # several draws may scale one quantity (an offset along x and y): each has its own stream, so its own name
    axis = f" {field.removeprefix(what + '_')}" if field.startswith(f"{what}_") else ""
    axis = "" if axis == " draw" else axis
    behind = declared
    if declared.cause is None and declared.scales is not None:
        behind = parameters_of(spec.cls)[declared.scales]
    return Factor(
        name=f"{spec.role}.{what}{axis} (each {declared.level})",
        quantity=f"{spec.role}.{field}",
        role=spec.role,
        level=declared.level,
        distribution=_STANDARD[declared.draw],
        relative=False,
        cause=behind.cause_in(spec.role),
        standardised=True,
        scales=declared.scales,
    )


def element_factors(spec: ElementSpec) -> Iterator[Factor]:
    """Factors of one element: spreads of its own quantities, then its standardised draws."""
    for quantity in spec.quantities.values():
        if quantity.shared_with is None:
            yield from spread_factors(quantity, spec.role)
    for field, declared in parameters_of(spec.cls).items():
        if declared.draw is not None:
            factor = draw_factor(spec, field, declared)
            if factor is not None:
                yield factor


def factors_of(case: Case) -> tuple[Factor, ...]:
    """All factors of a case, in the order of the chain; names are unique.

    What every named condition of use has for itself is drawn for none of them in general.
    """
    found = [factor for spec in case.elements.values() for factor in element_factors(spec)]
    own = [{quantity.name for quantity in condition.quantities.values()} for condition in case.conditions]
    replaced = set.intersection(*own) if own else set()
    found = [factor for factor in found if factor.quantity not in replaced]
    for condition in case.conditions:
        for quantity in condition.quantities.values():
            found += spread_factors(quantity, "use", condition.name)
    return tuple(found)


def varies_by_lot(case: Case) -> bool:
    """Whether anything varies from lot to lot."""
    return any(f.level == "lot" for f in factors_of(case))
