"""Sets of measures judged by the engine: few units on common draws, then many of other draws."""

from __future__ import annotations

import dataclasses

from margin.backends.run import run
from margin.case.faults import CaseError
from margin.case.types import LEAST_INNER, Case
from margin.design.measures.apply import case_of_options, changed_case, is_option_alone, seconds_of
from margin.design.measures.measure import OPTION_GROUP, Measures
from margin.design.measures.result import Chosen, Judged
from margin.estimates.looks import confidence_at, decided, inner_size
from margin.estimates.yields import decisive_shares, yield_of
from margin.propagation.model import model_of
from margin.propagation.plan import growing_plan, pilot_plan, plan_of
from margin.propagation.run_result import RunResult
from margin.propagation.tally import EvaluationError

GLANCE, SCREEN = (2048, 64), (8192, 128)
"""Units of a first glance and of a screen, and the outer draws among which they are divided where something holds for
all units: so few that a set that is far off costs some hundredths of a second."""

SCREEN_CONFIDENCE = 0.99
"""Of their intervals: glance and screen together reject the one set that is the answer with a probability of at most
one percent."""

CONFIRM_SEED, CONFIRM_PILOT_SEED = 1 << 61, 3 << 60
"""What the seeds of a confirmation and of its pilot differ by: a set is never confirmed by the draws that chose it."""


class Engine:
    """Sets of measures of a case, judged by its draws. Raises CaseError for measures that its file would not have."""

    def __init__(self, case: Case, measures: Measures, *, workers: int | None = None) -> None:
        self.case, self.measures, self.workers = case, measures, workers
        self._cases: dict[Chosen, Case | None] = {}
        self._glances: dict[Chosen, Judged | None] = {}
        self._options: dict[str, int] = {}
        self._asked: dict[int, None] = {}
        for place, measure in enumerate(measures.measures):
            if is_option_alone(measure) and measure.option not in (None, measures.option):
                self._options.setdefault(str(measure.option), place)

    def case_of(self, chosen: Chosen) -> Case | None:
        """The case with a set of measures and the calibration option in force; None for a set that it refuses."""
        if chosen not in self._cases:
            taken = self.measures.taken(chosen)
            try:
                self._cases[chosen] = changed_case(self.case, self.measures.option, taken)
            except CaseError:
                self._cases[chosen] = None
        return self._cases[chosen]

    def seconds(self, chosen: Chosen) -> float | None:
        """Station time of a unit, s; None for a set that the case refuses."""
        case = self.case_of(chosen)
        if case is None:
            return None
        return seconds_of(case) + sum(each.seconds for each in self.measures.taken(chosen))

    def glance(self, chosen: Chosen) -> Judged | None:
        """A set on very few units; None where case or chain refuse it.

        Sets that differ in their calibration option alone are judged at once, as what their units read is the same:
        today's option and those that were asked for before.
        """
        if chosen not in self._glances:
            own = [place for place in chosen if place in self._options.values()]
            rest = tuple(place for place in chosen if place not in own)
            self._asked.update(dict.fromkeys(own))
            known = rest in self._glances or not self._asked or any(map(self._excludes_options, rest))
            found = None if known else self._glance_options(rest, tuple(self._asked))
            self._glances.update(found or {chosen: self._few(chosen, *GLANCE)})
        return self._glances[chosen]

    def _excludes_options(self, place: int) -> bool:
        measure = self.measures.measures[place]
        return measure.option is not None or measure.group == OPTION_GROUP

    def _glance_options(self, rest: Chosen, options: Chosen) -> dict[Chosen, Judged | None] | None:
        """The measures of a set with today's and other calibration options; None where any of them is refused."""
        sets = [rest, *(tuple(sorted((*rest, place))) for place in options)]
        try:
            case = case_of_options(
                self.case, self.measures.option, self.measures.taken(rest), self.measures.taken(options)
            )
            drawn = self._drawn(case, *GLANCE)
        except (CaseError, EvaluationError):
            return None
        return dict(zip(sets, _judged(drawn), strict=True))

    def screen(self, chosen: Chosen) -> Judged | None:
        """A set on few units, the same draws for every set; None where case or chain refuse it."""
        return self._few(chosen, *SCREEN)

    def _few(self, chosen: Chosen, most: int, draws: int) -> Judged | None:
        case = self.case_of(chosen)
        if case is None:
            return None
        try:
            return _judged(self._drawn(case, most, draws))[0]
        except EvaluationError:
            return None

    def _drawn(self, case: Case, most: int, draws: int) -> RunResult:
        units = min(most, case.study.units)
        outer = min(draws, max(units // LEAST_INNER, 1)) if case.study.nested else 1
        small = _with(case, SCREEN_CONFIDENCE, units=units, outer=outer, draw="all units")
        return run(small, plan=plan_of(small), workers=self.workers)

    def confirm(self, chosen: Chosen, confidence: float, times: int = 1) -> Judged:
        """A set on as many units as decide it, `times` the units of the case at most.

        A case that asks for all units gets them.
        """
        found = self.case_of(chosen)
        assert found is not None, "a refused set is not confirmed"
        case = _with(found, confidence, units=found.study.units * times)
        model = dataclasses.replace(model_of(case), seed=case.study.seed ^ CONFIRM_SEED)
        if case.study.draw == "all units":
            return _judged(run(case, plan=plan_of(case), model=model, workers=self.workers))[0]
        inner = None
        if case.study.nested:
            pilot = dataclasses.replace(model, seed=case.study.seed ^ CONFIRM_PILOT_SEED)
            inner = inner_size(run(case, plan=pilot_plan(case), model=pilot, workers=self.workers))
        plan = growing_plan(case, inner)
        return _judged(run(case, plan=plan, enough=decided, model=model, workers=self.workers))[0]


def _with(case: Case, confidence: float, **study: object) -> Case:
    return dataclasses.replace(
        case,
        requirement=dataclasses.replace(case.requirement, confidence=confidence),
        study=dataclasses.replace(case.study, **study),  # type: ignore[arg-type]
    )


def _judged(drawn: RunResult) -> list[Judged]:
    """Each calibration option of a run, in the order of its case."""
    case, frame = drawn.model.case, drawn.plan.frame
    confidence = confidence_at(case, drawn.plan)
    found = []
    for spec in case.calibrations:
        reached = yield_of(frame, drawn.tallies[spec.name], case.requirement.counts, confidence)
        shares = decisive_shares(drawn, spec.name)
        found.append(Judged(reached.sampled, reached.bound, case.requirement.confidence, frame.units, shares))
    return found
