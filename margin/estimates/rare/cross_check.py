"""Cross-check of importance sampling: an independent run that knows none of its design points.

One replicate of subset sampling ends with draws that fail, distributed as failing units are. Such a draw z has the
weight phi(z) / q(z) in importance sampling from the density q. Where so heavy a draw would have carried a twentieth of
the estimate, the region about z is drawn so seldom that the estimate may lack it: a search from there adds its design
point.

The chains of one replicate may lose a region on the way, level by level, though a quarter of the probability lies
there. So searches begin from draws that passed to earlier levels as well, in directions of their own.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from margin.estimates.rare.design_point import RELEVANT, DesignPoint, apart, distinct, gradient, search
from margin.estimates.rare.draws import Draws
from margin.estimates.rare.importance import LACKING, ImportanceRun, lacking
from margin.estimates.rare.limit import Array, CountedLimit
from margin.estimates.rare.mixture import Mixture
from margin.estimates.rare.nearest import drawn_back
from margin.estimates.rare.subset import run_subset

PER_LEVEL = 1000
KEPT = 100
NOTABLE = 0.05
STARTS = 6
SAME_REGION = 0.9
ELSEWHERE = 0.8
STARTS_PER_LEVEL = 3
PART_OF_RUN = 0.25


@dataclass(frozen=True)
class Sweep:
    """What one run came to.

    missed     design points to add, the nearest first
    uncovered  share of the failing probability in regions that the density hardly draws
    blind      whether no failing draw was reached, so that nothing can be said
    """

    missed: tuple[DesignPoint, ...]
    uncovered: float
    blind: bool


def cross_check(
    limit: CountedLimit, mixture: Mixture, checked: ImportanceRun, draws: Draws, per_level: int = PER_LEVEL
) -> Sweep:
    """Regions missed by importance sampling whose draws came from the mixture.

    Failing draws that differ in direction are followed to their design points, the nearest first; where the search
    leads back to a region that is drawn well, but a twentieth of the probability lies where it began, the limit's
    point on the ray of that draw takes the place of a design point. Three draws of each earlier level are followed
    too, with a quarter of the run's evaluations at most. Of the points found so, those count about which at least 2 %
    of the probability is hardly drawn.

    The probability that the run itself finds is not held against the estimate: a single replicate may be wrong several
    times over where its chains change region late, and where all its failing draws lie in regions that are drawn well
    the estimate is the better one.
    """
    before, estimate = limit.evaluations, checked.result
    run = run_subset(limit, per_level, draws, KEPT)
    if run.probability == 0:
        return Sweep((), 0.0, True)
    allowed = limit.evaluations + PART_OF_RUN * (limit.evaluations - before)
    failing = run.failing[mixture.weights(run.failing)[0] > checked.heavy]
    uncovered = len(failing) / len(run.failing)
    found = [
        point
        for start in apart(
            failing[np.argsort(np.sum(failing**2, axis=1), kind="stable")], SAME_REGION, STARTS
        )
        if (point := _reached(limit, start, mixture, checked.heavy) or _on_ray(limit, start, uncovered))
        is not None
    ]
    known = [*estimate.design_points, *found]
    least = RELEVANT * max(point.first_order for point in known)
    for start in _elsewhere(run.on_the_way, known):
        if limit.evaluations >= allowed:
            break
        point = _reached(limit, start, mixture, checked.heavy)
        if point is not None and point.converged and point.first_order >= least:
            found.append(point)
    missed = tuple(
        point
        for point in distinct(found)
        if lacking(limit, point, mixture, checked.heavy) >= LACKING * estimate.probability
    )
    return Sweep(missed, uncovered, False)


def _elsewhere(levels: Sequence[Array], known: Sequence[DesignPoint]) -> Iterator[Array]:
    """Draws of each level, (k, d), that lie in other directions than the known points and those taken before."""
    taken = [point.z for point in known]
    for z in levels:
        starts = apart(z, ELSEWHERE, len(taken) + STARTS_PER_LEVEL, taken)
        yield from starts[len(taken) :]
        taken = starts


def _reached(limit: CountedLimit, start: Array, mixture: Mixture, heavy: float) -> DesignPoint | None:
    """The design point reached from a draw, (d,), where the mixture hardly draws it."""
    point = search(limit, start, _scale(limit))
    return point if point is not None and mixture.weights(point.z[None, :])[0][0] > heavy else None


def _on_ray(limit: CountedLimit, failing: Array, uncovered: float) -> DesignPoint | None:
    """The limit on the ray of a failing draw, (d,), where enough is uncovered and the limit slopes there."""
    if uncovered < NOTABLE:
        return None
    z = drawn_back(limit, failing[None, :])[0]
    slopes = gradient(limit, z, float(limit(z[None, :])[0]))
    slope = float(np.linalg.norm(slopes))
    if slope <= 1e-9 * _scale(limit):
        return None
    return DesignPoint(z, float(np.linalg.norm(z)), -slopes / slope, slope, False)


def _scale(limit: CountedLimit) -> float:
    """A typical size of the margin: that at the origin."""
    return abs(float(limit(np.zeros((1, limit.dimension)))[0]))
