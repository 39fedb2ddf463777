"""Causes that act alike in the data at hand."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from margin.diagnosis.likelihood import Fit, Segments, fit

Array = NDArray[np.float64]

ALIKE = 2.0
"""Distance of two predictions, in their noise, up to which two causes act alike: the best test between the two then
errs with a probability of at least Phi(-1) = 16 %."""


def fitted_features(segments: Segments, found: Fit, cause: int) -> Array:
    """Features that a cause predicts at the size that fits best, (feature,)."""
    places = np.flatnonzero(segments.owner == cause)
    best = places[np.argmax(found.log_evidence[places])]
    result: Array = segments.start[best] + np.clip(found.place[best], 0.0, 1.0) * segments.along[best]
    return result


def distances(segments: Segments, found: Fit, causes: Sequence[int]) -> Array:
    """Distance from what each cause (row) predicts at its fitted size to the nearest that each cause (column) predicts.

    In the noise of the latter, over all its sizes; (cause, cause).
    """
    result = np.zeros((len(causes), len(causes)))
    for row, cause in enumerate(causes):
        nearest = fit(segments, fitted_features(segments, found, cause)).distance
        for column, other in enumerate(causes):
            if other != cause:
                result[row, column] = np.sqrt(np.min(nearest[segments.owner == other]))
    return result


def classes_of_causes(
    segments: Segments, found: Fit, probabilities: Sequence[float], alike: float = ALIKE
) -> list[tuple[int, ...]]:
    """Causes in classes, by index: each led by its most probable cause, with those that act as this one does.

    probabilities  by cause. A cause belongs to one class, and the other members act alike with its leader, in both
    directions.
    """
    order = [int(i) for i in np.argsort(probabilities)[::-1]]
    apart = distances(segments, found, order)
    together = np.maximum(apart, apart.T) <= alike
    left = list(range(len(order)))
    classes: list[tuple[int, ...]] = []
    while left:
        leader = left[0]
        members = [place for place in left if place == leader or together[leader, place]]
        classes.append(tuple(order[place] for place in members))
        left = [place for place in left if place not in members]
    return classes
