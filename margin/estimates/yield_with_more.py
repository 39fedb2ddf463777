"""The yield of a case as if its measured spreads had come out the same on more units."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping

from distributions.errors import InvalidArgument
from margin.backends.run import run
from margin.case.faults import choices
from margin.case.types import Case, ElementSpec, Spread
from margin.chain.parameter import Level
from margin.estimates.looks import in_order_of_effort
from margin.estimates.stages import Stage, no_progress
from margin.estimates.yield_result import Yield
from margin.estimates.yields import yield_of
from margin.propagation.run_result import RunResult

Added = tuple[tuple[Level, int], ...]
"""(level, units added to what its spreads were measured on), for each level."""


def measured_levels(case: Case) -> dict[Level, int]:
    """Least number of units behind the measured spreads of each level; empty where nothing was measured."""
    found: dict[Level, int] = {}
    for spec in case.elements.values():
        for quantity in spec.quantities.values():
            for spread in quantity.spreads:
                if spread.measured_on is not None:
                    found[spread.level] = min(found.get(spread.level, spread.measured_on), spread.measured_on)
    return found


def with_more(case: Case, added: Mapping[Level, int]) -> Case:
    """The case as if its measured spreads had come out the same on more units, by level."""

    def more(spread: Spread) -> Spread:
        if spread.measured_on is None:
            return spread
        return dataclasses.replace(spread, measured_on=spread.measured_on + added.get(spread.level, 0))

    def of(spec: ElementSpec) -> ElementSpec:
        quantities = {
            name: dataclasses.replace(q, spreads=tuple(map(more, q.spreads)))
            for name, q in spec.quantities.items()
        }
        return dataclasses.replace(spec, quantities=quantities)

    ties = tuple(
        tie
        if tie.measured_on is None
        else dataclasses.replace(tie, measured_on=tie.measured_on + added.get(tie.level, 0))
        for tie in case.dependences
    )
    elements = {role: of(spec) for role, spec in case.elements.items()}
    return dataclasses.replace(case, elements=elements, dependences=ties)


def yields_with_more(
    case: Case,
    option: str | None,
    added: Iterable[Added],
    *,
    units: int,
    workers: int | None = None,
    stage: Stage = no_progress,
) -> tuple[str, dict[Added, Yield]]:
    """Name of a calibration option, and its yield with more units behind the measured spreads, on the same draws.

    option  None: the one of least time on the station whose lower bound reaches the target, else the highest bound
    added   (level, units added) of each count wanted; () is the case as it stands
    units   drawn for each

    Raises ValueError for an option that the case lacks.
    """
    names = [spec.name for spec in case.calibrations]
    if option is not None and option not in names:
        raise InvalidArgument(f"no calibration option '{option}' in the case: there are {choices(names)}")
    wanted = list(dict.fromkeys(added))
    count = stage("yield with more measuring", len(wanted))
    base = dataclasses.replace(case, study=dataclasses.replace(case.study, units=units))
    name = option or _leading(run(base, workers=workers))
    chosen = tuple(spec for spec in case.calibrations if spec.name == name)
    narrow = dataclasses.replace(base, calibrations=chosen)
    found: dict[Added, Yield] = {}
    for each in wanted:
        found[each] = _decisive(run(with_more(narrow, dict(each)), workers=workers), name)
        count(1)
    return name, found


def _decisive(drawn: RunResult, option: str) -> Yield:
    need = drawn.model.case.requirement
    return yield_of(drawn.plan.frame, drawn.tallies[option], need.counts, need.confidence)


def _leading(drawn: RunResult) -> str:
    """The option of least effort whose lower bound reaches the target, else the highest bound."""
    case = drawn.model.case
    bounds = {spec.name: _decisive(drawn, spec.name).lower_bound for spec in case.calibrations}
    for spec in in_order_of_effort(case):
        if bounds[spec.name] >= case.requirement.target:
            return spec.name
    return max(bounds, key=lambda name: bounds[name])
