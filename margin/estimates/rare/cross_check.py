"""Cross-check of importance sampling: an independent run that knows none of its design points.

One replicate of subset sampling ends with draws that fail, distributed as failing units are. Such a draw z has the
weight phi(z) / q(z) in importance sampling from the density q. Where this is many times the estimated probability, the
region about z is drawn so seldom that the estimate may lack it: a search from there adds its design point.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from margin.estimates.rare.design_point import DesignPoint, apart, distinct, gradient, search
from margin.estimates.rare.draws import Draws
from margin.estimates.rare.limit import Array, CountedLimit
from margin.estimates.rare.mixture import Mixture
from margin.estimates.rare.nearest import drawn_back
from margin.estimates.rare.result import RareResult
from margin.estimates.rare.subset import SHARED, run_subset

PER_LEVEL = 1000
KEPT = 100
HEAVY = 30.0
"""Weight over probability beyond which a failing draw counts as missed: of a few hundred draws less than ten are
expected in its neighbourhood, and each carries several per cent of the estimate."""

NOTABLE = 0.05
STARTS = 6
SAME_REGION = 0.9
APART = 3.5


@dataclass(frozen=True)
class Sweep:
    """What one run came to.

    missed     design points to add, the nearest first
    uncovered  share of the failing probability in regions that the density hardly draws
    contrary   the probability found where it is larger than the estimate by more than chance, else 0
    blind      whether no failing draw was reached, so that nothing can be said
    """

    missed: tuple[DesignPoint, ...]
    uncovered: float
    contrary: float
    blind: bool


def cross_check(
    limit: CountedLimit, mixture: Mixture, estimate: RareResult, draws: Draws, per_level: int = PER_LEVEL
) -> Sweep:
    """Regions missed by an estimate whose draws came from the mixture.

    Failing draws that differ in direction are followed to their design points, the nearest first; where the search
    leads back to a region that is drawn well, but a twentieth of the probability lies where it began, the limit's
    point on the ray of that draw takes the place of a design point. A probability larger than the estimate by three
    and a half standard errors is contrary to it.
    """
    run = run_subset(limit, per_level, draws, KEPT)
    if run.probability == 0:
        return Sweep((), 0.0, 0.0, True)
    heavy = HEAVY * estimate.probability
    failing = run.failing[mixture.weights(run.failing)[0] > heavy]
    uncovered = len(failing) / len(run.failing)
    found = [
        point
        for start in apart(failing[np.argsort(np.sum(failing**2, axis=1), kind="stable")], SAME_REGION, STARTS)
        if (point := _design_point(limit, start, mixture, heavy, uncovered)) is not None
    ]
    variance = SHARED * run.variation**2 + estimate.coefficient_of_variation**2
    above = math.log(run.probability / estimate.probability)
    contrary = run.probability if above > APART * math.sqrt(math.log1p(variance)) else 0.0
    return Sweep(distinct(found), uncovered, contrary, False)


def _design_point(
    limit: CountedLimit, start: Array, mixture: Mixture, heavy: float, uncovered: float
) -> DesignPoint | None:
    """The new design point reached from a failing draw, (d,), or the limit on its ray where much lies about it."""
    scale = abs(float(limit(np.zeros((1, limit.dimension)))[0]))
    point = search(limit, start, scale)
    if point is not None and mixture.weights(point.z[None, :])[0][0] > heavy:
        return point
    if uncovered < NOTABLE:
        return None
    z = drawn_back(limit, start[None, :])[0]
    slopes = gradient(limit, z, float(limit(z[None, :])[0]))
    slope = float(np.linalg.norm(slopes))
    if slope <= 1e-9 * scale:
        return None
    return DesignPoint(z, float(np.linalg.norm(z)), -slopes / slope, slope, False)
