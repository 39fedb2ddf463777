"""Causes of what was observed of a prototype, ranked by their probability."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from margin.diagnosis.alike import ALIKE, classes_of_causes
from margin.diagnosis.features import features_of
from margin.diagnosis.likelihood import Fit, fit, size_quantiles, tail
from margin.diagnosis.observation import Observation
from margin.diagnosis.pairs import Pair, pairs_of
from margin.diagnosis.plan import ObservationError
from margin.diagnosis.predictions import Predicted, posterior, visible

Array = NDArray[np.float64]

NOTHING = "nothing unusual"
UNKNOWN = "none of the catalogue"

CONTRADICTS = 2.5
"""Residual of a feature, given the others, in its noise, from which it contradicts a cause."""

CLEAR = 0.8
"""Probability from which a class of causes is called the cause."""

PAIRS_FROM = 0.01
"""Tail probability of the best cause below which pairs of causes are tried."""


@dataclass(frozen=True)
class Contradiction:
    """A feature that a cause leaves unexplained: its residual given the others, in standard deviations."""

    feature: str
    residual: float


@dataclass(frozen=True)
class Ranked:
    """One cause against the observation.

    probability  of the cause, the other ones, nothing unusual and none of the catalogue together 1
    size, low, high  median and 95 % interval of its size
    tail         probability of a worse fit where this cause is true
    predicted    features at the fitted size, (feature,); contradicted_by: features that it leaves unexplained
    """

    name: str
    part: str
    probability: float
    size: float
    low: float
    high: float
    shown: str
    tail: float
    predicted: Array
    contradicted_by: tuple[Contradiction, ...]


@dataclass(frozen=True)
class CauseClass:
    """Causes that act alike in these data; probability of them together; names by their own probability."""

    names: tuple[str, ...]
    probability: float


@dataclass(frozen=True)
class Diagnosis:
    """Causes of what was observed of one prototype.

    nothing, unknown  probabilities that nothing is unusual, and that none of the catalogue is the cause
    tail     probability of a worse fit, over all hypotheses by their probability
    causes   by falling probability; classes likewise
    pairs    of causes, where no single one suffices; by falling gain
    hidden   causes that these data cannot show at any size
    """

    predicted: Predicted
    observation: Observation
    nothing: float
    unknown: float
    tail: float
    causes: tuple[Ranked, ...]
    classes: tuple[CauseClass, ...]
    pairs: tuple[Pair, ...]
    hidden: tuple[str, ...]
    found: Fit

    @property
    def ranking(self) -> tuple[tuple[tuple[str, ...], float], ...]:
        """Names and probability of every hypothesis, classes as one, by falling probability."""
        every = [(c.names, c.probability) for c in self.classes]
        every += [((NOTHING,), self.nothing), ((UNKNOWN,), self.unknown)]
        return tuple(sorted(every, key=lambda each: -each[1]))

    @property
    def verdict(
        self,
    ) -> Literal["nothing unusual", "none of the catalogue", "one cause", "alike", "ambiguous"]:
        """What the data say: of a class of several causes 'alike', below a probability of CLEAR 'ambiguous'."""
        names, probability = self.ranking[0]
        if probability < CLEAR:
            return "ambiguous"
        if names[0] in (NOTHING, UNKNOWN):
            return "nothing unusual" if names[0] == NOTHING else "none of the catalogue"
        return "one cause" if len(names) == 1 else "alike"


def diagnose(predicted: Predicted, observation: Observation, *, alike: float = ALIKE) -> Diagnosis:
    """Rank the causes of what was observed, by what the engine predicts for each.

    predicted  of the plan of the observation, see `margin.diagnosis.predictions.predict`
    alike      distance of predictions up to which causes act alike

    Raises ObservationError where the plans differ.
    """
    if predicted.plan != observation.plan:
        raise ObservationError(
            f"{observation.name}: the predictions are for another load cycle: predict this one"
        )
    y = predicted.scores.of(observation.features)
    found = fit(predicted.segments, y)
    given = posterior(predicted, found)
    weights, nothing, unknown, p = given.causes, float(given.nothing), float(given.unknown), float(given.tail)
    shown = visible(predicted)
    order = [int(i) for i in np.argsort(-weights, kind="stable") if shown[i]]
    causes = tuple(_ranked(predicted, found, y, place, float(weights[place])) for place in order)
    grouped = classes_of_causes(predicted.segments, found, weights.tolist(), alike)
    names = predicted.names()
    classes = [
        CauseClass(tuple(names[i] for i in group if shown[i]), float(sum(weights[i] for i in group)))
        for group in grouped
        if any(shown[i] for i in group)
    ]
    pairs = pairs_of(predicted, y, order) if p < PAIRS_FROM else ()
    return Diagnosis(
        predicted, observation, nothing, unknown, p, causes,
        tuple(sorted(classes, key=lambda c: -c.probability)), pairs,
        tuple(name for name, s in zip(names, shown, strict=True) if not s), found,
    )  # fmt: skip


def _ranked(predicted: Predicted, found: Fit, y: Array, place: int, probability: float) -> Ranked:
    segments, cause = predicted.segments, predicted.causes[place]
    which = segments.owner == place
    places = np.flatnonzero(which)
    best = places[np.argmax(found.log_evidence[places])]
    mean = segments.start[best] + np.clip(found.place[best], 0.0, 1.0) * segments.along[best]
    low, median, high = size_quantiles(segments, found, which, (0.025, 0.5, 0.975))
    precision = segments.root[best].T @ segments.root[best]
    residual = precision @ (y - mean) / np.sqrt(np.diag(precision))
    contradictions = tuple(
        Contradiction(features_of(predicted.plan)[i].name, float(residual[i]))
        for i in np.argsort(-np.abs(residual))
        if abs(residual[i]) >= CONTRADICTS
    )
    interval = f"{cause.shown(median)} ({cause.shown(low)} to {cause.shown(high)})"
    p = float(tail(found.distance[best], y.size - 1, segments.freedom[best]))
    return Ranked(
        cause.name, cause.part, probability, float(median), float(low), float(high), interval, p, mean, contradictions
    )  # fmt: skip
