"""Results over age: yield and error, time to first non-conformity, recalibration interval, what ageing parts cost."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from distributions.errors import InvalidArgument
from margin.case.changes import with_changes
from margin.case.types import CalibrationSpec, Case
from margin.estimates.intervals import section_half_width
from margin.estimates.stages import Stage, no_progress
from margin.estimates.yield_result import Estimate, Verdict, Yield
from margin.estimates.yields import COUNTS, groups_of, yield_of
from margin.propagation.frame import Frame
from margin.propagation.histogram import quantile
from margin.propagation.model import model_of
from margin.propagation.plan import plan_of
from margin.propagation.tally import Tally
from margin.propagation.threads import default_workers
from margin.service.ageing import ageing_quantities, at_age
from margin.service.field import Action, actions_of
from margin.service.first_passage import PassageFits, Passages, fit_passages
from margin.service.followed import RATIO, Course, follow
from margin.service.recalibration import RecalibrationInterval, between, recalibration_interval
from margin.version import version

Array = NDArray[np.float64]

YEAR = 8766.0
"""h in a year of 365.25 days."""

YEARS, POINTS, UNITS, LEAST_UNITS = 5.0, 9, 20_000, 100
MOST_YEARS, MOST_POINTS = 100.0, 40
QUANTILES = np.array([0.025, 0.5, 0.975])


@dataclass(frozen=True)
class AtAge:
    """What units are at one age.

    age      h
    found    yield by what the requirement counts
    verdict  of it
    errors   2.5 %, 50 % and 97.5 % points of the error over the permissible error, over all readings
    """

    age: float
    found: Yield
    verdict: Verdict
    errors: tuple[Estimate, Estimate, Estimate]


@dataclass(frozen=True)
class Compared:
    """Yields of another course of service over age, and how much higher they are than as stated, on common draws."""

    name: str
    yields: tuple[Yield, ...]
    gains: tuple[Estimate, ...]


@dataclass(frozen=True)
class AgeResult:
    """Units of a case over their age.

    others    calibration options of the case that were not studied
    ageing    keys of the quantities that age; none: nothing does
    every     h between recalibrations in the field
    causes    one course a key of `ageing`, in which it does not age
    actions   in the field; fields: their courses in the same order
    """

    case: Case
    option: str
    others: tuple[str, ...]
    ages: tuple[AtAge, ...]
    passages: Passages
    fits: PassageFits
    interval: RecalibrationInterval
    ageing: tuple[str, ...]
    causes: tuple[Compared, ...]
    every: float
    actions: tuple[Action, ...]
    fields: tuple[Compared, ...]
    units: int
    outer: int
    asked: int
    version: str

    @property
    def horizon(self) -> float:
        """The last age, h."""
        return self.ages[-1].age

    @property
    def verdict(self) -> Verdict:
        """'conforms' where the bound of the yield is shown to reach the requirement at every age."""
        verdicts = {each.verdict for each in self.ages}
        if "does not conform" in verdicts:
            return "does not conform"
        return "undecided" if "undecided" in verdicts else "conforms"


def over_age(
    case: Case,
    option: str,
    *,
    years: float | None = None,
    points: int = POINTS,
    ages: Sequence[float] = (),
    every: float | None = None,
    units: int | None = None,
    workers: int | None = None,
    block: int | None = None,
    stage: Stage = no_progress,
) -> AgeResult:
    """Follow units of a case, calibrated by an option, over their age.

    years   to the last age, of 8766 h, by default those of [service] or else 5
    points  ages, age 0 and then each twice the one before it
    ages    h, in place of both; age 0, and that of the first recalibration, are added
    every   h between recalibrations in the field, by default a year, or half of the last age where that is less
    units   drawn, by default those of the case, `UNITS` at most, `LEAST_UNITS` at least

    Every reading in use is taken at the age studied, whatever `use.age` states; a case that leaves it out is given the
    plausible bands that hold with an age. workers and block change the time, not a bit of the result.

    Raises InvalidArgument for an unknown option and for arguments out of range, EvaluationError for errors that are not
    numbers.
    """
    grid = _grid(horizon_years(case, years), points, ages)
    horizon = grid[-1]
    every = min(YEAR, 0.5 * horizon) if every is None else every
    if not (math.isfinite(every) and 0.0 < every <= horizon):
        raise InvalidArgument(
            f"recalibration every {every:g} h: it takes a time above 0 and up to the last age, {horizon:g} h"
        )
    if horizon / every > 1e6:
        raise InvalidArgument(
            f"recalibration every {every:g} h: that is more than a million times; write a longer one"
        )
    spec = _option(case, option)
    drawn = at_age(_with_units(_aged(case, horizon), units), 0.0)
    drawn = dataclasses.replace(drawn, calibrations=(spec,))
    model, plan = model_of(drawn), plan_of(drawn)
    grid = tuple(sorted({*grid, every}))  # the moment before a recalibration is the worst
    ageing = ageing_quantities(drawn)
    actions = actions_of(drawn, spec, grid, every)
    courses = [Course("as stated", spec), *(Course(key, spec, frozen=(key,)) for key in ageing)]
    courses += [action.course for action in actions]
    followed = follow(
        model,
        plan,
        grid,
        courses,
        workers=default_workers() if workers is None else workers,
        block=block,
        progress=stage("units followed over age", plan.frame.units),
    )
    need = case.requirement
    frame, base = plan.frame, followed.tallies[0]
    yields = [yield_of(frame, tally, need.counts, need.confidence) for tally in base]
    found = tuple(
        AtAge(age, each, each.verdict(need.target), _errors(counts, need.confidence))
        for age, each, counts in zip(grid, yields, followed.ratios, strict=True)
    )
    passages = Passages(np.asarray(grid), followed.first)
    bounds = {age: each.bound for age, each in zip(grid, yields, strict=True)}
    finer = between(bounds, need.target)
    if finer:
        more = follow(
            model,
            plan,
            finer,
            courses[:1],
            workers=default_workers() if workers is None else workers,
            block=block,
        ).tallies[0]
        found_there = (yield_of(frame, tally, need.counts, need.confidence).bound for tally in more)
        bounds |= dict(zip(finer, found_there, strict=True))
    compared = [
        _compared(frame, course.name, own, base, need.counts, need.confidence)
        for course, own in zip(courses[1:], followed.tallies[1:], strict=True)
    ]
    return AgeResult(
        case=drawn,
        option=option,
        others=tuple(each.name for each in case.calibrations if each.name != option),
        ages=found,
        passages=passages,
        fits=fit_passages(passages),
        interval=recalibration_interval(bounds, need.target),
        ageing=ageing,
        causes=tuple(compared[: len(ageing)]),
        every=every,
        actions=actions,
        fields=tuple(compared[len(ageing) :]),
        units=frame.units,
        outer=frame.outer,
        asked=drawn.study.units,
        version=version(),
    )


def horizon_years(case: Case, years: float | None) -> float:
    """Years to the last age: those asked for, those of the service profile of the case, or 5."""
    if years is not None:
        return years
    stated = None if case.service is None else case.service.years
    return YEARS if stated is None else stated


def _compared(
    frame: Frame, name: str, own: Sequence[Tally], base: Sequence[Tally], counts: str, confidence: float
) -> Compared:
    column = COUNTS.index(counts)
    gains = []
    for mine, theirs in zip(own, base, strict=True):
        (more, sizes), (less, _) = groups_of(frame, mine, column), groups_of(frame, theirs, column)
        difference = (more - less) / sizes
        middle, half = (
            float((more - less).sum() / sizes.sum()),
            float(section_half_width(difference, confidence)),
        )
        gains.append(Estimate(middle, middle - half, middle + half))
    return Compared(name, tuple(yield_of(frame, tally, counts, confidence) for tally in own), tuple(gains))


def _errors(counts: NDArray[np.int64], confidence: float) -> tuple[Estimate, Estimate, Estimate]:
    """Points of the error over the permissible error, from counts (section, bin)."""
    # with fewer outer draws than sections some hold none of them
    counts = counts[counts.sum(axis=1) > 0]
    widest = np.full(counts.shape[0], np.inf)
    by_section = quantile(counts, RATIO, QUANTILES, -widest, widest)
    (whole,) = quantile(counts.sum(axis=0)[np.newaxis], RATIO, QUANTILES, -widest[:1], widest[:1])
    half = section_half_width(by_section, confidence)
    low, middle, high = (
        Estimate(float(v), float(v - h), float(v + h)) for v, h in zip(whole, half, strict=True)
    )
    return low, middle, high


def _grid(years: float, points: int, ages: Sequence[float]) -> tuple[float, ...]:
    if ages:
        found = sorted({0.0, *(float(age) for age in ages)})
        if not all(math.isfinite(age) and age >= 0.0 for age in found):
            raise InvalidArgument("ages are hours, none of them negative: write for example '1000 h'")
        if not 2 <= len(found) <= MOST_POINTS:
            raise InvalidArgument(f"{len(found)} ages with age 0: it takes 2 to {MOST_POINTS}")
        if found[-1] > MOST_YEARS * YEAR:
            raise InvalidArgument(f"an age of {found[-1]:g} h is above {MOST_YEARS:g} years")
        return tuple(found)
    if not (math.isfinite(years) and 0.0 < years <= MOST_YEARS):
        raise InvalidArgument(f"years must lie above 0 and up to {MOST_YEARS:g} (got {years!r})")
    if isinstance(points, bool) or points != int(points) or not 2 <= points <= MOST_POINTS:
        raise InvalidArgument(f"points must be a whole number from 2 to {MOST_POINTS} (got {points!r})")
    horizon = years * YEAR
    return (0.0, *(horizon * 2.0**-k for k in range(int(points) - 2, -1, -1)))


def _option(case: Case, option: str) -> CalibrationSpec:
    for each in case.calibrations:
        if each.name == option:
            return each
    there = ", ".join(repr(one.name) for one in case.calibrations)
    raise InvalidArgument(f"no calibration option {option!r} in {case.name!r}; there are {there}")


def _with_units(case: Case, units: int | None) -> Case:
    if units is not None and (isinstance(units, bool) or units != int(units) or units < LEAST_UNITS):
        raise InvalidArgument(f"units must be a whole number, {LEAST_UNITS} at least (got {units!r})")
    count = max(min(case.study.units, UNITS), LEAST_UNITS) if units is None else int(units)
    return dataclasses.replace(case, study=dataclasses.replace(case.study, units=count, draw="all units"))


def _aged(case: Case, horizon: float) -> Case:
    """The case with an age in use stated, so that the plausible bands that need one hold."""
    stated = "age" in case.source.get("use", {})
    if stated or not case.source:
        return case
    # of the study, not of its user: a command that runs it again does it again
    return dataclasses.replace(with_changes(case, {"use.age": f"{horizon!r} h"}), changed=case.changed)
