"""Search for the calibrations that give the highest yield for their time, in stages on common draws.

1. screen  every structure at coarse layouts of its loads, few units
2. extend  the leading structures by reloads and directions
3. move    the loads of those on the front, by coordinate search
4. dwell   of the station, for those on the front
5. choose  on other draws and more units: the front of what these resolve

The yields of the plans that are chosen are estimated elsewhere, on draws that had no part in any stage: the best of
many estimates is biased upwards (the winner's curse), a fresh estimate of it is not.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from margin.case.types import Case
from margin.design.calibration_plan.candidates import (
    Candidate,
    Habits,
    dwell_is_free,
    extended,
    own_options,
    positions,
    screened,
)
from margin.design.calibration_plan.front import by_error, by_thermometer, fronts_of, undominated
from margin.design.calibration_plan.positions import improved
from margin.design.calibration_plan.trials import Scored, Trials
from margin.estimates.stages import Stage, no_progress

SEARCH_SEED, CHOICE_SEED = 1 << 61, 1 << 60
"""What the seeds of the search and of the choice differ by from that of the study, so that draws are shared by none."""

SEARCH_UNITS, CHOICE_UNITS = 4_000, 20_000
"""Units of each candidate, at most, by which it is searched and chosen."""

DWELLS = (0.5, 2.0, 4.0)
"""Multiples of the case's dwell at the station that are tried beside it."""

LEADING = 2
"""Structures of each number of points that are pursued."""

MOVED, AFTER_DWELL = 7, 8
"""Plans of a front whose loads are moved, and that are tried with another dwell."""


@dataclass(frozen=True)
class Found:
    """Plans on the front of what the draws of the choice resolve, and how many candidates were looked at.

    fronts  as of `fronts_of`
    """

    fronts: tuple[tuple[Scored, ...], ...]
    candidates: int
    search_units: int
    choice_units: int


def search(
    case: Case,
    corrections: tuple[bool, ...],
    *,
    most_seconds: float | None = None,
    workers: int | None = None,
    stage: Stage = no_progress,
) -> Found:
    """Plans of a case that are worth their time.

    corrections   values of 'temperature_correction' that are tried
    most_seconds  longest time on the station, s a unit
    """
    lattice = positions(case)
    few, more = (min(units, case.study.units) for units in (SEARCH_UNITS, CHOICE_UNITS))
    trials = Trials(case, few, case.study.seed ^ SEARCH_SEED, workers)

    def in_time(candidates: Iterable[Candidate]) -> Iterator[Candidate]:
        return (each for each in candidates if most_seconds is None or each.seconds(case) <= most_seconds)

    progress = stage("searching calibration plans", 5)
    scored = trials.of(in_time(screened(case, lattice, corrections)))
    progress(1)
    leading = [each for group in by_thermometer(scored) for each in _leading(group)]
    scored += trials.of(in_time(wider for each in leading for wider in extended(case, each.candidate)))
    own = trials.of(in_time(own_options(case, corrections)))
    progress(1)
    starts = [each.candidate for group in by_thermometer(scored) for each in undominated(group, MOVED)]
    moved = improved(starts, lattice, trials.of)
    progress(1)
    scored += [*moved, *own]
    if dwell_is_free(case):
        fronts = [each for group in by_thermometer(scored) for each in undominated(group, AFTER_DWELL)]
        others = trials.of(in_time(_other_dwells(case, fronts)))
        scored += others if _dwell_matters(fronts, others) else []
    progress(1)
    choice = Trials(case, more, case.study.seed ^ CHOICE_SEED, workers)
    finalists = [
        each.candidate
        for group in by_thermometer(scored)
        for each in [*undominated(group), *undominated(group, by=by_error), *_in(own, group)]
    ]
    confidence = case.requirement.confidence
    fronts_found = fronts_of(choice.of(finalists), confidence)
    progress(1)
    return Found(fronts_found, trials.count, few, more)


def _in(own: Iterable[Scored], group: list[Scored]) -> list[Scored]:
    """Options of the case that belong to a group."""
    return [each for each in own if each.corrected is group[0].corrected]


def _dwell_matters(as_stated: Iterable[Scored], others: Iterable[Scored]) -> bool:
    """Whether any yield or error depends on the dwell. Where nothing creeps in the case, a shorter dwell would only
    seem free: what it leaves unsettled is not modelled."""
    stated = {dataclasses.replace(each.candidate, dwell=0.0).key: each for each in as_stated}
    return any(
        each.merit != stated[dataclasses.replace(each.candidate, dwell=0.0).key].merit for each in others
    )


def _leading(found: list[Scored]) -> list[Scored]:
    """The best layout of each of the leading structures, for each number of points."""
    best: dict[tuple[object, ...], Scored] = {}
    for each in found:
        spec = each.candidate.spec
        key = (len(spec.loads), spec.kind, spec.space, spec.degree, spec.fit, spec.weights, spec.tare)
        if key not in best or each.merit > best[key].merit:
            best[key] = each
    kept: list[Scored] = []
    for points in sorted({key[0] for key in best}):  # type: ignore[type-var]
        alike = sorted((v for k, v in best.items() if k[0] == points), key=lambda s: s.merit, reverse=True)
        kept += alike[:LEADING]
    return kept


def _other_dwells(case: Case, found: Iterable[Scored]) -> Iterator[Candidate]:
    """Candidates with longer and shorter dwells, each written with two digits."""
    dwell = Habits.of(case).dwell
    for each in found:
        if each.candidate.spec.kind == "none":
            continue
        for multiple in DWELLS:
            yield dataclasses.replace(each.candidate, dwell=float(f"{multiple * dwell:.2g}"))
