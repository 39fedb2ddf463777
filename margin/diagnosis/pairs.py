"""Two causes at once, where no single one suffices."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import f as f_distribution

from margin.diagnosis.predictions import Predicted

Array = NDArray[np.float64]

ROUNDS = 4
"""Rounds in which either cause of a pair is fitted again to what the other one leaves."""


@dataclass(frozen=True)
class Pair:
    """Two causes together; gain: by how much they reduce the squared distance of the best single cause.

    tail  probability of a worse fit where both are true, with two sizes fitted
    """

    names: tuple[str, str]
    shown: tuple[str, str]
    gain: float
    tail: float


@dataclass(frozen=True)
class _Path:
    """Effect of one cause in the noise of the unchanged prototype: pieces with start and along, (piece, feature)."""

    low: Array
    high: Array
    start: Array
    along: Array

    def nearest(self, target: Array) -> tuple[Array, Array, Array]:
        """Least squared distance from each target (target, feature), the effect there, and its size."""
        rest = target[:, None, :] - self.start
        a = np.maximum(np.sum(self.along**2, axis=1), 1e-12)
        t = np.clip(np.sum(rest * self.along, axis=2) / a, 0.0, 1.0)
        distance = np.sum((rest - t[..., None] * self.along) ** 2, axis=2)
        best = np.argmin(distance, axis=1)
        row = np.arange(best.size)
        place = t[row, best]
        effect = self.start[best] + place[:, None] * self.along[best]
        return distance[row, best], effect, self.low[best] + place * (self.high[best] - self.low[best])


def pairs_of(predicted: Predicted, y: Array, causes: Sequence[int], first: int = 5) -> tuple[Pair, ...]:
    """Pairs of one of the `first` best causes with any other one, whose effects on the features are taken to add up.

    y: (feature,). The five pairs that gain most, by falling gain; distances in the noise of the unchanged prototype.
    """
    segments = predicted.segments
    root, base = segments.root[0], segments.start[0]
    target = (root @ (y - base))[None, :]
    paths: dict[int, _Path] = {}
    for cause in causes:
        own = np.flatnonzero(segments.owner == cause)
        paths[cause] = _Path(
            segments.low[own],
            segments.high[own],
            (segments.start[own] - base) @ root.T,
            segments.along[own] @ root.T,
        )
    single = {cause: float(path.nearest(target)[0][0]) for cause, path in paths.items()}
    leaders = sorted(single, key=lambda c: single[c])[:first]
    best = single[leaders[0]] if leaders else 0.0
    tried: dict[tuple[int, int], tuple[float, float, float]] = {}
    for leader in leaders:
        for other in causes:
            if other != leader and (other, leader) not in tried:
                tried[leader, other] = _together(paths[leader], paths[other], target)
    names, nu, left = predicted.names(), float(segments.freedom[0]), max(y.size - 2, 1)
    return tuple(
        Pair(
            (names[a], names[b]),
            (predicted.causes[a].shown(sizes[0]), predicted.causes[b].shown(sizes[1])),
            best - distance,
            float(f_distribution.sf(distance * nu / (nu - 2.0) / left, left, nu)),
        )
        for (a, b), (distance, *sizes) in sorted(tried.items(), key=lambda each: each[1][0])[:5]
    )


def _together(one: _Path, two: _Path, target: Array) -> tuple[float, float, float]:
    """Least squared distance of two effects together, and their sizes: from every piece of one, then in turns."""
    left = target - one.start
    distance, _, _ = two.nearest(left)
    _, second, size_two = two.nearest(left[[int(np.argmin(distance))]])
    for _ in range(ROUNDS):
        _, first, size_one = one.nearest(target - second)
        distance, second, size_two = two.nearest(target - first)
    return float(distance[0]), float(size_one[0]), float(size_two[0])
