"""What every cause predicts over its sizes, from engine draws."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from margin.case.types import Case
from margin.diagnosis.catalogue import Cause, causes_of
from margin.diagnosis.drawn_groups import LEAST_VARIANCE, Drawn, Path, drawn_of, groups_of, shift
from margin.diagnosis.occasions import KeptUnits, kept_units
from margin.diagnosis.plan import Plan
from margin.diagnosis.scores import Scores, scores_of
from margin.diagnosis.segments import Segments, departures, segments_of
from margin.diagnosis.situation import Situation, as_designed
from margin.diagnosis.taken import features_drawn
from margin.propagation.memory import keep_freed_memory

Array = NDArray[np.float64]

LEAST_SHIFT = 1.5
"""Shift of the features, in their own noise, below which a cause does nothing that these data could show."""

SMALLEST_OF_RANGE = 1e-3
"""The search for the least size that shows begins at this share of the low end of the range."""

FEW = 200
"""Units drawn to find the least size that shows."""

MOST_BETWEEN = 6
"""Most sizes drawn between those of the even ones, where a cause changes its ways."""

BENT = 1.0
"""Departure of a mean from a straight line, in the spread of the units, from which a size is drawn between."""

SEED = 20_240


@dataclass(frozen=True)
class Paths:
    """What every cause predicts for a plan, over its sizes.

    scores  scale of each feature
    sizes   by cause: its path, for each sign
    """

    case: Case
    plan: Plan
    causes: tuple[Cause, ...]
    scores: Scores
    unchanged: Drawn
    sizes: tuple[tuple[Path, ...], ...]
    segments: Segments

    def drawn(self, situation: Situation, units: int, seed: int, kept: KeptUnits | None = None) -> Array:
        """Scores of drawn prototypes, (unit, feature); kept: the units of that seed, where they serve several times."""
        return self.scores.of(features_drawn(situation, self.plan, units, seed, drawn=kept))


def paths_of(
    case: Case,
    plan: Plan,
    causes: Sequence[Cause] | None = None,
    *,
    units: int = 1000,
    sizes: int = 12,
    seed: int = SEED,
) -> Paths:
    """Draw prototypes with every cause at every size.

    causes  default: those of the catalogue and of one's own that suit the case and the temperatures of the plan
    units   prototypes drawn for each size; all sizes share their draws; three times as many of the unchanged
    sizes   drawn for each sign of a cause, from the least that shows in these data; up to MOST_BETWEEN more where a
            cause changes its ways

    Unit-to-unit and lot-to-lot spread, mounting, placements, station and knowledge of the spreads are drawn by the
    engine and so integrated out.
    """
    keep_freed_memory()
    found = causes_of(case, plan) if causes is None else tuple(causes)
    base = as_designed(case)
    features = features_drawn(base, plan, 3 * units, seed)
    scores = scores_of(features)
    before = scores.of(features)
    unchanged = drawn_of(0.0, before, np.zeros(len(before), dtype=np.intp))

    # the same units for all causes and sizes: what is drawn of them is kept
    same = {count: kept_units(case, count, seed) for count in {units, min(units, FEW)}}

    def at(cause: Cause, size: float, count: int) -> Array:
        return scores.of(features_drawn(cause.apply(base, size), plan, count, seed, drawn=same[count]))

    drawn = tuple(
        tuple(
            _along(at, cause, sign, before[:units], unchanged, sizes)
            for sign in ((-1.0, 1.0) if cause.signed else (1.0,))
        )
        for cause in found
    )
    segments = segments_of(unchanged, drawn, LEAST_VARIANCE)
    return Paths(case, plan, found, scores, unchanged, drawn, segments)


def _along(
    at: Callable[[Cause, float, int], Array],
    cause: Cause,
    sign: float,
    before: Array,
    unchanged: Drawn,
    sizes: int,
) -> Path:
    """Draws of one sign of a cause from the least size that shows to the largest."""
    units = len(before)
    few = min(units, FEW)
    low, high = math.log(SMALLEST_OF_RANGE * cause.low), math.log(cause.high)
    for _ in range(7):
        middle = 0.5 * (low + high)
        if shift(at(cause, sign * math.exp(middle), few).mean(axis=0), unchanged) < LEAST_SHIFT:
            low = middle
        else:
            high = middle
    # a cause that hardly shows at its largest is kept over its stated range: the data cannot tell it from nothing
    least = min(math.exp(high), 0.5 * cause.high)
    wanted = [float(sign * size) for size in np.geomspace(least, cause.high, sizes)]
    each = [at(cause, size, units) for size in wanted]
    for _ in range(MOST_BETWEEN):
        where = _most_bent(wanted, each)
        if where is None:
            break
        between = math.copysign(math.sqrt(wanted[where] * wanted[where + 1]), sign)
        wanted.insert(where + 1, between)
        each.insert(where + 1, at(cause, between, units))
    scores = np.array(each)
    noise = unchanged.within[0] + LEAST_VARIANCE * np.eye(before.shape[1])
    labels = groups_of((scores - before) / np.sqrt(np.diag(noise)))
    drawn = tuple(
        drawn_of(size, own, labels, noise, own - before) for size, own in zip(wanted, scores, strict=True)
    )
    return Path(drawn, np.bincount(labels) / units)


def _most_bent(sizes: list[float], scores: list[Array]) -> int | None:
    """Place of the two sizes between which the mean departs most from a straight line, None where by less than BENT of
    the spread of the units."""
    spread = np.sqrt([own.var(axis=0) + LEAST_VARIANCE for own in scores])
    off = departures(np.array([own.mean(axis=0) for own in scores]), np.array(sizes))
    bent = np.max(off / np.minimum(spread[:-1], spread[1:]), axis=1)
    worst = int(np.argmax(bent))
    return worst if bent[worst] > BENT else None
