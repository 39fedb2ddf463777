"""What of an element stays as designed and what is drawn: worked out once, not for every block."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from margin.case.types import ElementSpec, UseCondition
from margin.chain.parameter import parameters_of
from margin.propagation.factors import Factor, draw_factor, spread_factors


@dataclass(frozen=True)
class Spreading:
    """A quantity with spread: field, nominal value (SI) and one factor for each cause."""

    field: str
    nominal: float
    factors: tuple[Factor, ...]


@dataclass(frozen=True)
class Standardised:
    """A standardised draw: field, its factor, and the field that it is multiplied by.

    scales  None where no field is, or where an earlier draw of the element scales it too (an offset along x and y):
            what is halved is halved once
    """

    field: str
    factor: Factor
    scales: str | None


@dataclass(frozen=True)
class Recipe:
    """How an element is drawn.

    fixed  options, and quantities without spread; element: the element itself where nothing of it varies
    """

    fixed: Mapping[str, Any]
    spreading: tuple[Spreading, ...]
    standardised: tuple[Standardised, ...]
    element: Any


class _Same:
    """A key that stands for one object: case data hold dictionaries and cannot be keys themselves."""

    __slots__ = ("of",)

    def __init__(self, of: Any) -> None:
        self.of = of

    def __hash__(self) -> int:
        return id(self.of)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Same) and other.of is self.of


def recipe_of(spec: ElementSpec, condition: UseCondition | None = None) -> Recipe:
    """Recipe of an element, with the quantities that a condition of use has for itself in place of its own."""
    return _recipe(_Same(spec), _Same(condition))


@lru_cache(maxsize=512)
def _recipe(spec_key: _Same, condition_key: _Same) -> Recipe:
    spec: ElementSpec = spec_key.of
    condition: UseCondition | None = condition_key.of
    own = {} if condition is None else condition.quantities
    fixed: dict[str, Any] = dict(spec.options)
    spreading: list[Spreading] = []
    for field, general in spec.quantities.items():
        quantity = own.get(field, general)
        whose = condition.name if condition is not None and field in own else None
        if quantity.spreads:
            spreading.append(Spreading(field, quantity.nominal, spread_factors(quantity, spec.role, whose)))
        else:
            fixed[field] = quantity.nominal
    standardised: list[Standardised] = []
    scaled: set[str] = set()
    for field, declared in parameters_of(spec.cls).items():
        factor = draw_factor(spec, field, declared) if declared.draw is not None else None
        if factor is not None:
            again = declared.scales is None or declared.scales in scaled
            standardised.append(Standardised(field, factor, None if again else declared.scales))
            scaled.add(field if declared.scales is None else declared.scales)
    varies = bool(spreading or standardised)
    element = None if varies else spec.cls(**fixed)
    return Recipe(fixed, tuple(spreading), tuple(standardised), element)
