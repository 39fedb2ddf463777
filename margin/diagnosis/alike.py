"""Causes that act alike in the data at hand."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from margin.diagnosis.likelihood import Fit, nearest_of, project
from margin.diagnosis.segments import Segments

Array = NDArray[np.float64]

ALIKE = 2.56
"""Distance of two predictions, in their noise, up to which two causes act alike: the best test between the two then
errs with a probability of at least Phi(-1.28) = 10 %."""

LEAST_RATIO = 0.03
"""Probability, as a share of that of the leader of a class, below which a cause that acts alike is not of the class:
some other size of it would have to fit better than the one that is probable."""

LEAST_LEADER = 0.1
"""Probability, as a share of that of the most probable cause, below which a cause leads no class of several."""


def fitted_scores(segments: Segments, found: Fit, causes: Sequence[int]) -> Array:
    """Scores that causes predict at the sizes that fit best, (cause, feature)."""
    best = []
    for cause in causes:
        places = np.flatnonzero(segments.owner == cause)
        best.append(places[np.argmax(found.log_evidence[places])])
    place = np.clip(found.place[best], 0.0, 1.0)[:, None]
    result: Array = segments.start[best] + place * segments.along[best]
    return result


def distances(segments: Segments, found: Fit, causes: Sequence[int]) -> Array:
    """Distance from what each cause (row) predicts at its fitted size to the nearest that each cause (column) predicts.

    In the noise of the latter, over all its sizes; (cause, cause).
    """
    nearest = nearest_of(segments, project(segments, fitted_scores(segments, found, causes)))
    columns = [np.sqrt(np.min(nearest[:, segments.owner == cause], axis=1)) for cause in causes]
    return np.column_stack(columns)


def classes_of_causes(
    segments: Segments, found: Fit, probabilities: Sequence[float], alike: float = ALIKE
) -> list[tuple[int, ...]]:
    """Causes in classes, by index: each led by its most probable cause, with those that act as this one does.

    probabilities  by cause. A cause belongs to one class, and the other members act alike with its leader, in both
    directions, and nearly as probable.
    """
    order = [int(i) for i in np.argsort(probabilities)[::-1]]
    # the others can be in no class but their own
    some = [i for i in order if probabilities[i] >= LEAST_RATIO * LEAST_LEADER * probabilities[order[0]]]
    apart = distances(segments, found, some)
    together = np.maximum(apart, apart.T) <= alike
    left = list(range(len(some)))
    classes: list[tuple[int, ...]] = []
    while left:
        leader = left[0]
        least = LEAST_RATIO * probabilities[order[leader]]
        members = [
            place
            for place in left
            if place == leader or (together[leader, place] and probabilities[order[place]] >= least)
        ]
        classes.append(tuple(order[place] for place in members))
        left = [place for place in left if place not in members]
    return classes + [(i,) for i in order if i not in some]
