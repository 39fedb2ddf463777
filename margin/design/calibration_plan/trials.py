"""Trials of candidate calibrations: many options of one case, all on the same draws."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from margin.backends.run import run
from margin.case.types import Case
from margin.design.calibration_plan.candidates import Candidate, with_dwell
from margin.estimates.errors import largest_ratio
from margin.estimates.intervals import section_half_width
from margin.estimates.yields import decisive_shares
from margin.propagation.plan import growing_plan

Array = NDArray[np.float64]

BATCH = 24
"""Options evaluated in one run: they share the draws of use, and the placements of loads that they have in common."""


@dataclass(frozen=True)
class Scored:
    """A candidate with what few units say of it.

    seconds  on the station, a unit
    shares   (group,) decisive yield in each group of units (see `decisive_shares`): paired where the draws are common
    ratio    largest error of a unit over the permissible one, which the required yield of units keeps
    """

    candidate: Candidate
    seconds: float
    shares: Array
    ratio: float

    @property
    def reached(self) -> float:
        """Decisive yield."""
        return float(self.shares.mean())

    @property
    def merit(self) -> tuple[float, float]:
        """What candidates are ordered by: yield; where it is the same (all or no units conform), the error."""
        return self.reached, -self.ratio

    @property
    def corrected(self) -> bool:
        return self.candidate.spec.temperature_correction


def gain_over(one: Scored, other: Scored, confidence: float) -> tuple[float, float]:
    """Yield of `one` less that of `other` on common draws, and half width of its interval."""
    difference = one.shares - other.shares
    return float(difference.mean()), float(section_half_width(difference, confidence))


def with_options(case: Case, candidates: Sequence[Candidate], units: int, seed: int) -> Case:
    """The case with candidates of one dwell as its options, numbered, and so many units of its study at most."""
    specs = tuple(
        dataclasses.replace(each.spec, name=str(number)) for number, each in enumerate(candidates, 1)
    )
    # points at random: others depend on which options are drawn together
    study = dataclasses.replace(
        case.study, units=min(units, case.study.units), draw="all units", seed=seed, points="random"
    )
    if study.nested:
        study = dataclasses.replace(study, outer=None)
    return dataclasses.replace(with_dwell(case, candidates[0].dwell), calibrations=specs, study=study)


@dataclass
class Trials:
    """Candidates evaluated on the draws of one seed; each once."""

    case: Case
    units: int
    seed: int
    workers: int | None = None
    _known: dict[tuple[Any, ...], Scored] = field(default_factory=dict)

    def of(self, candidates: Iterable[Candidate]) -> list[Scored]:
        """Scores in the order of the candidates."""
        wanted = list(candidates)
        new = {each.key: each for each in wanted if each.key not in self._known}
        by_dwell: dict[float, list[Candidate]] = {}
        for each in new.values():
            by_dwell.setdefault(each.dwell, []).append(each)
        for alike in by_dwell.values():
            # options with common loads side by side: a run evaluates every load of its options
            alike.sort(key=lambda each: (each.spec.direction, each.spec.reloads, each.spec.loads))
            for start in range(0, len(alike), BATCH):
                self._draw(alike[start : start + BATCH])
        return [dataclasses.replace(self._known[each.key], candidate=each) for each in wanted]

    @property
    def count(self) -> int:
        """Different candidates evaluated so far."""
        return len(self._known)

    def _draw(self, candidates: list[Candidate]) -> None:
        case = with_options(self.case, candidates, self.units, self.seed)
        drawn = run(case, plan=growing_plan(case).upto(0), workers=self.workers, compiled=False)
        need = case.requirement
        for spec, candidate in zip(case.calibrations, candidates, strict=True):
            ratio = largest_ratio(drawn.plan.frame, drawn.tallies[spec.name], need.target, need.confidence)
            self._known[candidate.key] = Scored(
                candidate, candidate.seconds(self.case), decisive_shares(drawn, spec.name), ratio.value
            )
