"""Which method estimates this failure probability: tried in the order of cost, kept when its checks pass."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from margin.estimates.rare.design_point import DesignPoint, apart, distinct, relevant, search
from margin.estimates.rare.draws import Draws
from margin.estimates.rare.importance import missed_points
from margin.estimates.rare.limit import Array, CountedLimit, LimitState, RareEventError
from margin.estimates.rare.mixture import wide_spread
from margin.estimates.rare.plain import draw_until, plain_draws, wanted_failures
from margin.estimates.rare.result import RareResult
from margin.estimates.rare.rounds import MOST_POINTS, Rounds, importance_rounds
from margin.estimates.rare.subset import fewest_evaluations, subset_sampling

PILOT = 200
LEAST_BUDGET = 1_000
MOST_BUDGET = 100_000_000
EXPLORATION = 200
FREQUENT = 0.015
LARGER_PILOT = 400
STARTS = 3
APART = 0.5
ROUNDS = 3
IMPORTANCE_PART = 0.1
PLAIN_PART = 0.2
FEW = 50


def failure_probability(
    limit_state: LimitState,
    dimension: int,
    target_cv: float = 0.1,
    budget: int = 200_000,
    seed: int = 0,
    level: float = 0.95,
) -> RareResult:
    """Probability that the margin is negative, by the cheapest method whose checks pass.

    limit_state  margin, shape (n,), at standard normal points, shape (n, d)
    dimension    number d of factors
    target_cv    coefficient of variation asked for
    budget       evaluations of the limit state to stay within, those of the cross-check included; subset sampling
                 completes its shortest replicates in any case

    A pilot of 200 plain draws, 600 where two of them fail: where 1.5 % fail, plain draws suffice. Else the
    most likely failing points are searched, with a tenth of the budget, and importance sampling about them is kept
    when its own checks raise nothing. A cross-check, independent of it, looks for failing regions that it missed: they
    are added and importance sampling is repeated. Else, or where no such point is found or the limit bends in many
    directions, plain draws where a part of the budget shows that they suffice (in many dimensions this is tried
    first), and subset sampling where not. The result says which and why; it is the same for the same seed.
    RareEventError for a target, level or budget out of range, or a margin that is not finite.
    """
    if not 0 < target_cv < 1:
        raise RareEventError(f"target_cv must lie between 0 and 1 (got {target_cv}): 0.1 is usual")
    if not 0 < level < 1:
        raise RareEventError(f"level must lie between 0 and 1 (got {level}): 0.95 is usual")
    require_budget(budget)
    limit = CountedLimit(limit_state, dimension)
    pilot = Draws(seed, "pilot").normals(PILOT, dimension)
    margins = limit(pilot)
    if np.sum(margins < 0) >= 2:
        more = Draws(seed, "larger pilot").normals(LARGER_PILOT, dimension)
        pilot, margins = np.concatenate([pilot, more]), np.concatenate([margins, limit(more)])
    if np.sum(margins < 0) >= FREQUENT * len(pilot):
        return plain_draws(limit, target_cv, budget, seed, level, "failures are frequent")
    if dimension > FEW:
        # a search costs as many evaluations a step as there are factors: plain draws first
        enough = _plain_part(limit, target_cv, budget, seed, level)
        if enough is not None:
            return enough
    rounds = _importance(limit, pilot, margins, target_cv, budget, seed, level)
    near = rounds.result
    if near is not None and not rounds.given_up:
        return _whole(near, limit)
    if dimension <= FEW:
        enough = _plain_part(limit, target_cv, budget, seed, level)
        if enough is not None:
            return enough
    left = budget - limit.evaluations
    if near is not None and near.probability > 0 and left < fewest_evaluations(near.probability):
        ended = (
            f"the budget of {budget} evaluations does not suffice for subset sampling in its place: raise it"
        )
        return _whole(replace(near, warnings=(*near.warnings, ended)), limit)
    far = subset_sampling(limit, target_cv=target_cv, level=level, budget=max(left, PILOT), seed=seed)
    return replace(
        far,
        evaluations=limit.evaluations,
        design_points=() if near is None else near.design_points,
        why=f"importance sampling was given up: {rounds.given_up}",
    )


def require_budget(budget: float) -> None:
    """RareEventError unless so many evaluations can be of use."""
    if not budget >= LEAST_BUDGET:
        raise RareEventError(
            f"budget must be at least {LEAST_BUDGET} evaluations (got {budget}): fewer show no rare failure; "
            "200000 is usual"
        )
    if budget > MOST_BUDGET:
        raise RareEventError(
            f"budget must be at most {MOST_BUDGET} evaluations (got {budget}): more would take days and the memory of "
            "a whole computer, and the methods seldom need a million; 200000 is usual"
        )


def _points(count: int) -> str:
    return "its most likely failing point" if count == 1 else f"its {count} most likely failing points"


def _whole(near: RareResult, limit: CountedLimit) -> RareResult:
    """A result of importance sampling with all evaluations so far, those of its cross-check apart, and its reason."""
    check = near.cross_check
    elsewhere = " and nothing failed elsewhere" if check is not None and check.complete else ""
    return replace(
        near,
        evaluations=limit.evaluations - (check.evaluations if check else 0),
        why=f"the limit is smooth about {_points(len(near.design_points))}{elsewhere}",
    )


def _importance(
    limit: CountedLimit, pilot: Array, margins: Array, target_cv: float, budget: int, seed: int, level: float
) -> Rounds:
    """Importance sampling about the design points that are found, in rounds until none is missed."""
    part = int(IMPORTANCE_PART * budget)
    points = _design_points(limit, pilot, margins, seed, limit.evaluations + part)
    if not points:
        return Rounds(None, "no most likely failing point was found")
    return importance_rounds(
        limit, points, target_cv=target_cv, level=level, budget=budget, part=part, seed=seed
    )


def _design_points(
    limit: CountedLimit, pilot: Array, margins: Array, seed: int, last: int
) -> tuple[DesignPoint, ...]:
    """Design points from the origin, from the worst draws of the pilot, and from failing draws far out.

    last  number of evaluations of the limit after which no further search begins
    """
    scale = abs(float(limit(np.zeros((1, limit.dimension)))[0]))
    found: list[DesignPoint] = []
    for start in (
        np.zeros(limit.dimension),
        *apart(pilot[np.argsort(margins, kind="stable")], APART, STARTS),
    ):
        if limit.evaluations < last and (point := search(limit, start, scale)) is not None:
            found.append(point)
    points = relevant(distinct(found))
    spread = wide_spread(points[0].beta if points else 5.0)
    wide = spread * Draws(seed, "exploration").normals(EXPLORATION, limit.dimension)
    failing = wide[limit(wide) < 0]
    for _ in range(ROUNDS):
        missed = missed_points(limit, points, failing) if limit.evaluations < last else ()
        if not missed or len(points) >= MOST_POINTS:
            break
        points = relevant(distinct([*points, *missed]))
    return points


def _plain_part(
    limit: CountedLimit, target_cv: float, budget: int, seed: int, level: float
) -> RareResult | None:
    """Plain draws, where a part of what is left of the budget shows that all of it will do; None otherwise.

    Plain draws suffice where the part has as many failing ones as let the rest have all that are wanted. Nothing more
    is drawn where none of a first few fail: three were expected to.
    """
    left = max(budget - limit.evaluations, 0)
    part, wanted = int(PLAIN_PART * left), wanted_failures(target_cv)
    draws = Draws(seed, "plain part")
    if not draw_until(limit, draws, 1, min(int(3 * left / wanted), part)).failures:
        return None
    if not draw_until(limit, draws, int(np.ceil(PLAIN_PART / (1 - PLAIN_PART) * wanted)), part).complete:
        return None
    return plain_draws(limit, target_cv, budget, seed, level, "failures are frequent enough")
