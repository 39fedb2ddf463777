"""Units followed over their age: drawn once, used and judged at each age, under several courses of service.

All courses and ages share their draws (common random numbers): the same units at the same placements and readings, so
that what differs between two ages is the ageing alone.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from margin.case.types import CalibrationSpec
from margin.propagation.along_history import readings_of_use
from margin.propagation.calibrated import Bench, Calibrated, calibrate
from margin.propagation.draws import StreamSource
from margin.propagation.frame import SECTIONS, Frame
from margin.propagation.histogram import Bins
from margin.propagation.memory import keep_freed_memory
from margin.propagation.model import Model
from margin.propagation.plan import Block, Plan, default_block
from margin.propagation.readings import Readings
from margin.propagation.tally import BlockTally, Judged, Tally, judge, require_numbers, tally_counted
from margin.propagation.threads import in_threads
from margin.propagation.variants import Variant
from margin.service.ageing import at_age, calibrated_at, frozen
from margin.service.first_passage import first_failures

Array = NDArray[np.float64]
Counts = NDArray[np.int64]

RATIO = Bins(1.0)
"""Bins of the error relative to the permissible error."""


@dataclass(frozen=True)
class Course:
    """A course of service.

    name    of it
    option  by which units are calibrated; recalibrated: by which they are in the field, None for never
    since   (age,) h: age at the last calibration in the field, at each age; 0: none yet
    frozen  keys of quantities that do not age
    """

    name: str
    option: CalibrationSpec
    recalibrated: CalibrationSpec | None = None
    since: tuple[float, ...] = ()
    frozen: tuple[str, ...] = ()


@dataclass(frozen=True)
class Followed:
    """Counts of units followed over age, by course.

    tallies  (course, age); without the errors and the largest errors of units
    ratios   (age, section, bin) readings by error over permissible error, of the first course, see `RATIO`
    first    (age + 1,) units of the first course by the first age at which they do not conform
    """

    tallies: tuple[tuple[Tally, ...], ...]
    ratios: Counts
    first: Counts


def follow(
    model: Model,
    plan: Plan,
    ages: Sequence[float],
    courses: Sequence[Course],
    *,
    workers: int = 1,
    block: int | None = None,
    progress: Callable[[int], None] | None = None,
) -> Followed:
    """Follow all units of a plan over the ages, h, and count them.

    workers, block  change the time, not a bit of the counts; progress: called with the number of units just finished

    Raises EvaluationError for errors that are not numbers.
    """
    keep_freed_memory()
    frame = plan.frame
    total = Followed(
        tuple(tuple(_empty(frame) for _ in ages) for _ in courses),
        np.zeros((len(ages), SECTIONS, RATIO.size), dtype=np.int64),
        np.zeros(len(ages) + 1, dtype=np.int64),
    )

    def counted(part: Block) -> tuple[Block, _Part]:
        return part, _block(model, frame, tuple(ages), courses, part)

    for done, part in in_threads(counted, plan.blocks(block or default_block(model.case)), workers):
        for tallies, own in zip(total.tallies, part.tallies, strict=True):
            for tally, each in zip(tallies, own, strict=True):
                each.add_to(tally)
        total.ratios[:, done.section] += part.ratios
        total.first[...] += part.first
        if progress is not None:
            progress(done.count)
    return total


@dataclass(frozen=True)
class _Part:
    """Counts of one block."""

    tallies: list[list[BlockTally]]
    ratios: Counts
    first: Counts


@np.errstate(all="ignore")  # what is not a number is found in the errors and refused there
def _block(
    model: Model, frame: Frame, ages: tuple[float, ...], courses: Sequence[Course], block: Block
) -> _Part:
    source = model.source(frame.grouping, block.start, block.count)
    benches = [_Calibrations(model, source, block.count, course) for course in courses]
    tallies: list[list[BlockTally]] = [[] for _ in courses]
    ratios, conforming = [], []
    for place, age in enumerate(ages):
        for held in sorted({course.frozen for course in courses}):
            sharing = [k for k, course in enumerate(courses) if course.frozen == held]
            used = list(_used(model, source, block.count, age, held, [courses[k] for k in sharing]))
            for k in sharing:
                units = benches[k].at(place)
                errors = [
                    np.where(readings.known, units.load(readings) - frame.loads, np.nan) for readings in used
                ]
                require_numbers(courses[k].option.name, frame, errors, block.start)
                judged = judge(frame, errors)
                tallies[k].append(_tallied(frame, judged, block))
                if k == 0:
                    ratios.append(_ratios(frame, errors))
                    conforming.append(_conforming(judged, model.case.requirement.counts))
    return _Part(tallies, np.stack(ratios), first_failures(np.stack(conforming)))


def _used(
    model: Model, source: StreamSource, count: int, age: float, held: tuple[str, ...], courses: list[Course]
) -> Iterator[Readings]:
    """Readings at an age, shared by courses under which the same parts age."""
    case = at_age(frozen(model.case, held), age)
    options = [each for course in courses for each in (course.option, course.recalibrated) if each]
    return readings_of_use(dataclasses.replace(case, calibrations=tuple(options)), source, count)


@dataclass
class _Calibrations:
    """Calibrations of the units of a block under one course, each made once."""

    model: Model
    source: StreamSource
    count: int
    course: Course

    def __post_init__(self) -> None:
        self._made: dict[float, Calibrated] = {}

    def at(self, place: int) -> Calibrated:
        """The calibration that units have at the age of one place."""
        since = self.course.since[place] if self.course.since else 0.0
        if since not in self._made:
            self._made[since] = self._calibrated(since)
        return self._made[since]

    def _calibrated(self, since: float) -> Calibrated:
        case, source, option = frozen(self.model.case, self.course.frozen), self.source, self.course.option
        if since > 0.0 and self.course.recalibrated is not None:
            case, option = calibrated_at(case, since), self.course.recalibrated
            source = _drawn_again(self.model, source)
        bench = Bench(
            dataclasses.replace(case, calibrations=(option,)), source, self.model.nominal, self.count
        )
        return calibrate(option, bench, self.model.classes.get(option.name))


def _drawn_again(model: Model, source: StreamSource) -> StreamSource:
    """The same units at a calibration with placements, readings and climate of its own."""
    columns = (
        factor.name + place
        for factor in model.factors
        for place in ("@calibration", "@unloaded, calibration")
    )
    return source.varied(Variant(source.scales, source.redrawn | frozenset(columns)))


def _conforming(judged: Judged, counts: str) -> NDArray[np.bool_]:
    """Whether each unit conforms; where readings count, whether all of its readings do."""
    return judged.by_share if counts == "units by share of readings" else judged.everywhere


def _ratios(frame: Frame, errors: list[Array]) -> Counts:
    """(bin,) Readings by error over permissible error, at loads where any error is permissible."""
    some = frame.permissible > 0.0
    found = [
        np.bincount(RATIO.index(np.ravel(each[..., some] / frame.permissible[some])), minlength=RATIO.size)
        for each in errors
    ]
    return np.asarray(np.sum(found, axis=0), dtype=np.int64)


def _empty(frame: Frame) -> Tally:
    shape = (SECTIONS, len(frame.conditions), frame.loads.size, 1)
    return dataclasses.replace(
        Tally.empty(frame),
        errors=np.zeros(shape, dtype=np.int64),
        largest=np.zeros((SECTIONS, 1), dtype=np.int64),
    )


def _tallied(frame: Frame, judged: Judged, block: Block) -> BlockTally:
    """Counts of units alone: the errors of every course and age would fill the memory."""
    shape = (len(frame.conditions), frame.loads.size)
    found = tally_counted(
        frame, np.zeros((*shape, 1), dtype=np.int64), np.zeros(shape), np.zeros(shape), judged, block.start,
        block.section,
    )  # fmt: skip
    return dataclasses.replace(found, largest=np.array([block.count], dtype=np.int64))
