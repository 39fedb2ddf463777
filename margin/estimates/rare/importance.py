"""Importance sampling about the design points, with a check on what they miss.

Estimator: mean of (failure indicator) x phi(z) / q(z) over draws from a defensive normal mixture q (Schueller
and Stix 1987 for the centre at the design point; Owen and Zhou 2000 for the mixture). It is unbiased whatever
the centres are; the checks guard against an interval that looks sharp because a failing region was not drawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from margin.estimates.rare.design_point import RELEVANT, DesignPoint, differs, distinct, search
from margin.estimates.rare.draws import Draws
from margin.estimates.rare.limit import Array, BudgetEnded, CountedLimit, LimitState, RareEventError
from margin.estimates.rare.mixture import FULL_CURVATURE_UP_TO, Mixture, around
from margin.estimates.rare.result import RareResult, lognormal_interval

LACKING = 0.02
"""Part of the estimate that must be lacking about a point for the point to be added."""

LACKING_DRAWS = 100
FIRST_STAGE = 400
FEWEST_MORE = 100
STAGES = 5
RESERVE = 1.1
FEWEST_EFFECTIVE = 30.0
HEAVIEST = 0.05
HEAVIEST_OF_MANY = 0.02
STRAY = 0.1
MISSED_STARTS = 4
NEARER = 0.1


@dataclass(frozen=True)
class ImportanceRun:
    """An estimate and what its draws say about it.

    missed  design points that they betray but that it was not given
    heavy   weight of a failing draw that would carry too much of the estimate: where it occurs, few draws are made
    """

    result: RareResult
    missed: tuple[DesignPoint, ...]
    heavy: float


def importance_sampling(
    limit_state: LimitState,
    points: Sequence[DesignPoint],
    *,
    target_cv: float = 0.1,
    level: float = 0.95,
    budget: int = 20_000,
    seed: int = 0,
) -> RareResult:
    """Failure probability by importance sampling about `points`.

    A first stage of 400 draws, then as many as the target coefficient of variation asks for, within the
    budget; where a few draws carry the estimate, more. The check for missed regions may add a few searches.
    RareEventError where no point is given.
    """
    limit = CountedLimit(limit_state, len(limit_state.names))
    if not points:
        raise RareEventError("importance sampling needs at least one design point (got none): search first")
    mixture = around(limit, points, seed)
    return run_importance(
        limit, points, mixture, target_cv=target_cv, level=level, budget=budget, seed=seed
    ).result


def run_importance(
    limit: CountedLimit,
    points: Sequence[DesignPoint],
    mixture: Mixture,
    *,
    target_cv: float,
    level: float,
    budget: int,
    seed: int,
    purpose: str = "importance",
    ends_at_missed: bool = False,
) -> ImportanceRun:
    """The same as `importance_sampling` from the mixture about the points, with the missed points found on the way.

    purpose         name of its draws: those of another name are independent
    ends_at_missed  whether no more is drawn where a few draws carry the estimate because a point is missing
    """
    before = limit.evaluations
    drawn = [_stage(limit, mixture, FIRST_STAGE, Draws(seed, f"{purpose} 0"))]
    for stage in range(1, STAGES):
        weights = np.concatenate([part[1] for part in drawn])
        if not weights.any():
            break
        variation, heavy = _variation(weights), _few_carry(weights, limit.dimension)
        if variation <= target_cv and not heavy:
            break
        if ends_at_missed and heavy and _missed(limit, points, mixture, *drawn[-1]):
            break
        wanted = int(np.ceil(RESERVE * len(weights) * ((variation / target_cv) ** 2 - 1)))
        wanted = max(wanted, len(weights)) if heavy else wanted
        more = min(max(wanted, FEWEST_MORE), budget - (limit.evaluations - before))
        if more <= 0:
            break
        drawn.append(_stage(limit, mixture, more, Draws(seed, f"{purpose} {stage}")))
    z, weights, stray = (np.concatenate(parts) for parts in zip(*drawn, strict=True))
    missed = _missed(limit, points, mixture, z, weights, stray)
    result = _summary(points, weights, stray, missed, level, target_cv, limit.evaluations - before)
    return ImportanceRun(result, missed, _heaviest(limit.dimension) * float(weights.sum()))


def _missed(
    limit: CountedLimit,
    points: Sequence[DesignPoint],
    mixture: Mixture,
    z: Array,
    weights: Array,
    stray: Array,
) -> tuple[DesignPoint, ...]:
    """Missed points that draws, weights and strays of a stage betray (see `_stage`).

    Followed in any case are draws that carry too much of the estimate, and those far from every design point where
    these carry much of the probability: their region may lie in the half-space of a known point.
    """
    fails = weights > 0
    if not fails.any():
        return ()
    astray = fails & (stray > 0.5)
    heavy, estimate = _heaviest(limit.dimension) * float(weights.sum()), float(weights.mean())
    follow = weights > heavy
    if weights[astray].sum() > STRAY * weights.sum():
        follow |= astray
    try:
        return tuple(
            point
            for point in missed_points(limit, points, z[fails], follow[fails])
            if lacking(limit, point, mixture, heavy) >= LACKING * estimate
        )
    except BudgetEnded:
        # the draws are worth more than what may be missing: the estimate stands, without a cross-check
        return ()


def lacking(limit: CountedLimit, point: DesignPoint, mixture: Mixture, heavy: float) -> float:
    """Probability about a point that the mixture hardly draws, from a hundred draws of importance sampling about it.

    Hardly drawn is what only the wide component draws, or what has more than the weight `heavy`. The first-order
    probability of a point would not do: among many factors nearly every direction of a round limit has its own point.
    """
    own = around(limit, [point], 0)
    z, weights, _ = _stage(limit, own, LACKING_DRAWS, Draws(0, "lacking"))
    ratio, stray = mixture.weights(z)
    return float(np.mean(weights * ((ratio > heavy) | (stray > 0.5))))


def missed_points(
    limit: CountedLimit,
    points: Sequence[DesignPoint],
    failing: Array,
    follow: NDArray[np.bool_] | None = None,
) -> tuple[DesignPoint, ...]:
    """Design points of failing regions that no half-space of the known points explains.

    failing  failing draws, shape (m, d)
    follow   which of them are followed even so, shape (m,)

    A failing draw that lies clearly on the near side of every known point's tangent plane belongs to another
    region: a search from the nearest few of them, different in direction, finds its design point. Returned
    are those that are new (or clearly nearer than a known one where the search had stuck) and whose
    first-order probability is at least 1e-3 of the largest.
    """
    if points and len(failing):
        short = np.stack([failing @ point.direction - 0.8 * point.beta for point in points])
        apart = np.all(short < 0, axis=0)
        failing = failing[apart if follow is None else apart | follow]
    starts: list[Array] = []
    for z in failing[np.argsort(np.sum(failing**2, axis=1), kind="stable")]:
        unit = z / np.linalg.norm(z)
        if all(unit @ (other / np.linalg.norm(other)) < 0.7 for other in starts):
            starts.append(z)
        if len(starts) == MISSED_STARTS:
            break
    if not starts:
        return ()
    scale = abs(float(limit(np.zeros((1, limit.dimension)))[0]))
    found = [point for z in starts if (point := search(limit, z, scale)) is not None]
    new = [
        point
        for point in distinct(found)
        if differs(point, [known for known in points if known.converged or known.beta < point.beta + NEARER])
    ]
    largest = max((point.first_order for point in [*points, *new]), default=0.0)
    return tuple(point for point in new if point.first_order >= RELEVANT * largest)


def _stage(limit: CountedLimit, mixture: Mixture, count: int, draws: Draws) -> tuple[Array, Array, Array]:
    """Points (n, d), weights (n,), zero where the limit is kept, and the wide component's part (n,)."""
    z = mixture.draw(count, draws)
    ratio, stray = mixture.weights(z)
    return z, np.where(limit(z) < 0, ratio, 0.0), stray


def _variation(weights: Array) -> float:
    """Coefficient of variation of the mean of the weights."""
    return float(np.std(weights, ddof=1) / np.mean(weights) / np.sqrt(len(weights)))


def _few_carry(weights: Array, dimension: int) -> bool:
    """Whether the heaviest draw carries too much of the estimate."""
    return bool(weights.max() > _heaviest(dimension) * weights.sum())


def _heaviest(dimension: int) -> float:
    """Part of the estimate that one draw may carry.

    Among many factors the bend of the limit is known only on average and the weights have a longer tail:
    less is allowed there.
    """
    return HEAVIEST if dimension <= FULL_CURVATURE_UP_TO else HEAVIEST_OF_MANY


def _summary(
    points: Sequence[DesignPoint],
    weights: Array,
    stray: Array,
    missed: Sequence[DesignPoint],
    level: float,
    target_cv: float,
    evaluations: int,
) -> RareResult:
    probability = float(np.mean(weights))
    if probability == 0:
        return RareResult(
            0.0, 0.0, 1.0, level, float("inf"), evaluations, "importance", tuple(points),
            ("no draw about the design points failed: they do not lie on the limit",),
        )  # fmt: skip
    total = float(weights.sum())
    effective = total**2 / float(weights @ weights)
    variation = _variation(weights)
    warnings = [
        f"a failing region was missed: draws point to another most likely failing point at "
        f"{point.beta:.2f} standard deviations; the probability may be too low without it"
        for point in missed
    ]
    if (astray := float(weights @ (stray > 0.5)) / total) > STRAY:
        warnings.append(
            f"{100 * astray:.0f} % of the probability lies far from every design point: failing regions are "
            "wider than the points describe"
        )
    if effective < FEWEST_EFFECTIVE or _few_carry(weights, len(points[0].z)):
        warnings.append(
            f"a few draws carry the estimate ({effective:.0f} effective failing draws, the heaviest with "
            f"{100 * weights.max() / total:.0f} %): the interval may be too narrow"
        )
    if variation > 1.2 * target_cv:
        warnings.append(
            f"coefficient of variation {variation:.2f} where {target_cv:.2f} was asked: draw more"
        )
    low, high = lognormal_interval(probability, variation, level, effective - 1)
    return RareResult(
        probability,
        low,
        high,
        level,
        variation,
        evaluations,
        "importance",
        tuple(points),
        tuple(warnings),
        effective,
    )
