"""Importance sampling repeated until no failing region is missed.

A round draws about the design points known so far. Points that its draws or a cross-check add to them call for another
round, with draws of its own; the estimate is that of the last round alone. Given the points, its draws are independent
of all that decided where to look, so that its weights are unbiased and their scatter is its variance. Two small effects
remain: the number of draws depends on their own scatter, and a round whose own draws betray a missing point is not
taken. With four islands the mean lies 1 % high, a tenth of the standard error (tests/benchmarks/rare_coverage.md).

Earlier rounds are discarded, not combined: weights inverse to their estimated variances would favour the very rounds
that missed a region, whose variance looks small because nothing was drawn there (inverse variances are optimal only
where known: Owen and Zhou 2020, 'The square root rule for adaptive importance sampling'), and a round costs less than
the cross-check that follows it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

from margin.estimates.rare.cross_check import PER_LEVEL, Sweep, cross_check
from margin.estimates.rare.design_point import DesignPoint, differs
from margin.estimates.rare.draws import Draws
from margin.estimates.rare.importance import ImportanceRun, run_importance
from margin.estimates.rare.limit import BudgetEnded, CountedLimit
from margin.estimates.rare.mixture import Mixture, around
from margin.estimates.rare.result import CrossCheck, RareResult

ROUNDS = 6
MOST_POINTS = 12
MOST_BENT = 12.0
UNEXPLAINED = 0.1
"""Share of the failing draws of a cross-check that may lie where the density hardly draws, with no point to add."""

FEWEST_PER_LEVEL = 500
AGAIN = 2.0
"""Evaluations kept for another round, over those of the last one, when a cross-check begins."""


@dataclass(frozen=True)
class Rounds:
    """What the rounds came to.

    result    of the last complete round, with its cross-check; None where no round was completed
    given_up  the reason to distrust importance sampling here; empty where the result stands
    """

    result: RareResult | None
    given_up: str


@dataclass
class _Progress:
    """Where the rounds stand, also where the budget ends them at any evaluation.

    points   known so far
    latest   result of the last complete round
    waiting  points found by a cross-check of that result, which it lacks
    checked  evaluations of the cross-checks
    sweeps   the cross-checks; complete: whether the last of them found nothing to add
    """

    points: tuple[DesignPoint, ...]
    latest: RareResult | None = None
    waiting: tuple[DesignPoint, ...] = ()
    checked: int = 0
    sweeps: list[Sweep] = field(default_factory=list)
    complete: bool = False


def importance_rounds(
    limit: CountedLimit,
    points: Sequence[DesignPoint],
    *,
    target_cv: float = 0.1,
    level: float = 0.95,
    budget: int = 200_000,
    part: int = 20_000,
    seed: int = 0,
) -> Rounds:
    """Failure probability by importance sampling about `points` and about those that are missing among them.

    budget  evaluations of `limit` in all, those before included; never exceeded
    part    the most evaluations for the draws of one round

    At most six rounds. The budget keeps a reserve for the round that a cross-check may call for. Where it ends the
    rounds, the result is that of the last complete one, with a warning of what is missing.
    """
    progress = _Progress(tuple(points))
    before = limit.evaluations
    try:
        with limit.at_most(budget):
            given_up = _repeat(limit, progress, target_cv, level, budget, part, seed)
    except BudgetEnded:
        given_up = "" if progress.latest else f"the budget of {budget} evaluations ended its first round"
    if progress.latest is None:
        return Rounds(None, given_up)
    result = replace(
        progress.latest,
        evaluations=limit.evaluations - before - progress.checked,
        warnings=(*progress.latest.warnings, *_warnings(progress, given_up, budget)),
        cross_check=CrossCheck(
            len(progress.sweeps),
            sum(all(point is not given for given in points) for point in progress.latest.design_points),
            progress.checked,
            progress.complete,
        ),
    )
    return Rounds(result, given_up)


def _repeat(
    limit: CountedLimit,
    progress: _Progress,
    target_cv: float,
    level: float,
    budget: int,
    part: int,
    seed: int,
) -> str:
    """Rounds until nothing is missed or the budget ends; the reason to give them up, or ''."""
    for number in range(1, ROUNDS + 1):
        before = limit.evaluations
        mixture = around(limit, progress.points, seed)
        if mixture.bent > MOST_BENT:
            return "the limit bends in many directions about its most likely failing point"
        run = run_importance(
            limit, progress.points, mixture, target_cv=target_cv, level=level, budget=part, seed=seed,
            purpose="importance" if number == 1 else f"importance, round {number},", ends_at_missed=True,
        )  # fmt: skip
        progress.latest, progress.waiting = run.result, ()
        missed = run.missed
        if not missed:
            if run.result.warnings:
                return run.result.warnings[0]
            last = budget - AGAIN * (limit.evaluations - before)
            if not _checked(limit, progress, mixture, run, last, seed):
                return ""
            sweep = progress.sweeps[-1]
            if not sweep.missed:
                progress.complete = not (sweep.blind or sweep.uncovered > UNEXPLAINED)
                return _unexplained(sweep)
            missed = progress.waiting = sweep.missed
        if len(progress.points) + len(missed) > MOST_POINTS:
            return f"there are more than {MOST_POINTS} failing regions"
        progress.points = _joined(progress.points, missed)
    return f"failing regions were still being found in round {ROUNDS}"


def _checked(
    limit: CountedLimit, progress: _Progress, mixture: Mixture, run: ImportanceRun, last: float, seed: int
) -> bool:
    """Whether a cross-check of a round could be made within `last` evaluations in all; notes what it found."""
    levels = math.ceil(-math.log10(run.result.probability)) + 1
    per_level = min(PER_LEVEL, int((last - limit.evaluations) / levels) // 100 * 100)
    if per_level < FEWEST_PER_LEVEL:
        return False
    before = limit.evaluations
    draws = Draws(seed, f"cross-check {len(progress.sweeps) + 1}")
    try:
        progress.sweeps.append(cross_check(limit, mixture, run, draws, per_level))
    finally:
        progress.checked += limit.evaluations - before
    return True


def _unexplained(sweep: Sweep) -> str:
    """What a cross-check that found no point holds against an estimate, or ''."""
    if sweep.uncovered > UNEXPLAINED:
        return (
            f"{100 * sweep.uncovered:.0f} % of the failing draws of an independent run lie in regions that are "
            "hardly drawn about the design points"
        )
    return ""


def _joined(known: Sequence[DesignPoint], new: Sequence[DesignPoint]) -> tuple[DesignPoint, ...]:
    """Known and new points, the nearest first; a known one whose search had stuck gives way to a nearer one like it."""
    kept = [
        point
        for point in known
        if point.converged or differs(point, [other for other in new if other.beta < point.beta])
    ]
    return tuple(sorted([*kept, *new], key=lambda point: point.beta))


def _warnings(progress: _Progress, given_up: str, budget: int) -> Iterator[str]:
    """What the estimate may lack, and why it could not be added."""
    for point in progress.waiting:
        yield (
            f"a failing region was missed: a cross-check found another most likely failing point at {point.beta:.2f} "
            f"standard deviations; the probability is too low by about {point.first_order:.2g}"
        )
    if given_up:
        if progress.latest is not None and given_up not in progress.latest.warnings:
            yield given_up
    elif progress.sweeps and progress.sweeps[-1].blind:
        yield "the cross-check for missed regions reached no failing draw: it cannot exclude them"
    elif not progress.complete:
        what = "before a cross-check for missed regions"
        if progress.sweeps:
            what = "before they were added" if progress.waiting else "before the cross-check was repeated"
        yield f"the budget of {budget} evaluations ended {what}: raise it"
