"""A prototype as built and used, against the design that its firmware counts on."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from distributions import Stream
from margin.case.types import Case, ElementSpec, Spread
from margin.diagnosis.plan import Plan
from margin.propagation.dependence import dependent_groups
from margin.propagation.draws import StreamSource
from margin.propagation.factors import factors_of
from margin.propagation.grouping import Grouping

Array = NDArray[np.float64]
LoadPath = Callable[[Plan, Array], Array]
"""From the load of the reference, N, (step,), to the load that reaches the unit."""


@dataclass(frozen=True)
class Situation:
    """How one prototype came to be and is used.

    designed    quantities of a unit of which nothing is unusual, with their spreads
    built       quantities of the unit in use, with the spreads of the design
    calibrated  quantities at its calibration
    firmware    quantities that its firmware counts on
    paths       what happens to the load before it reaches the unit
    lag         s, time constant of the signal beyond that of the design; 0: none
    warming     K by which the unit is warmer than stated
    branches    branch of the calibration in place of that of the option; None: as stated
    """

    designed: Case
    built: Case
    calibrated: Case
    firmware: Case
    paths: tuple[LoadPath, ...] = ()
    lag: float = 0.0
    warming: float = 0.0
    branches: Any = None

    def with_built(self, values: dict[str, float], calibrated: bool = True) -> Situation:
        """Other nominal values by quantity name ('sensor.creep'), SI; calibrated: from before the calibration."""
        found = replace(self, built=with_nominal(self.built, values))
        return replace(found, calibrated=with_nominal(self.calibrated, values)) if calibrated else found


def as_designed(case: Case) -> Situation:
    """A prototype of which nothing is unusual."""
    return Situation(case, case, case, case)


def nominal(case: Case, name: str) -> float:
    """Nominal value of a quantity, SI; KeyError where the case has none of that name."""
    role, _, field = name.partition(".")
    return case.elements[role].quantities[field].nominal  # type: ignore[index]


def has(case: Case, *names: str) -> bool:
    """Whether the chain of a case has all of these quantities."""
    pairs = (name.partition(".")[::2] for name in names)
    return all(field in case.elements[role].quantities for role, field in pairs)  # type: ignore[index]


def with_nominal(case: Case, values: dict[str, float]) -> Case:
    """The case with other nominal values; spreads stay as they are."""
    for name, value in values.items():
        case = _with(case, name, nominal=float(value))
    return case


def with_spread(case: Case, name: str, spread: Spread) -> Case:
    """The case with this spread of a quantity in place of those it has."""
    return _with(case, name, spreads=(spread,))


def fixed(case: Case, values: Iterable[tuple[str, float]]) -> Case:
    """The case with these values of quantities, as far as it has them, without spread."""
    for name, value in values:
        if has(case, name):
            case = _with(case, name, nominal=value, spreads=())
    return case


def _with(case: Case, name: str, **changed: Any) -> Case:
    """The case with other fields of one quantity, by its name."""
    role, _, field = name.partition(".")
    spec = case.elements[role]  # type: ignore[index]
    quantities = {**spec.quantities, field: replace(spec.quantities[field], **changed)}
    elements = dict(case.elements)
    elements[role] = replace(spec, quantities=quantities)  # type: ignore[index]
    return replace(case, elements=elements)


def exact(spec: ElementSpec) -> ElementSpec:
    """The element without spreads: a fixture or circuit of the bench, whose values are known."""
    return replace(spec, quantities={k: replace(q, spreads=()) for k, q in spec.quantities.items()})


def source_of(case: Case, units: int, seed: int) -> StreamSource:
    """Draws of single prototypes, each of its own lot, station and knowledge of the spreads."""
    factors = factors_of(case)
    groups = dependent_groups(factors, case.dependences)
    return StreamSource(factors, Stream(seed), Grouping(1, 1), 0, units, "random", groups)
