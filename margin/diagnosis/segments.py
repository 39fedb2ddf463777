"""Causes as straight pieces between the sizes that were drawn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from margin.diagnosis.drawn_groups import Drawn, Path

Array = NDArray[np.float64]

FINER = 2
"""Pieces between two sizes that were drawn."""


@dataclass(frozen=True)
class Segments:
    """Every cause as straight pieces between the sizes that were drawn; the unchanged prototype as a piece of length 0.

    owner      (segment,) index of the cause; -1 for the unchanged prototype
    low, high  (segment,) sizes; start, along: (segment, feature) features at `low`, and from there to `high`
    root       (segment, feature, feature) inverse Cholesky factor of the covariance; log_det of that covariance
    prior      (segment,) probability within its cause
    freedom    (segment,) degrees of freedom of the multivariate t distribution of the scores
    """

    owner: NDArray[np.int64]
    low: Array
    high: Array
    start: Array
    along: Array
    root: Array
    log_det: Array
    prior: Array
    freedom: Array

    def only(self, which: NDArray[np.intp]) -> Segments:
        """Some of them."""
        return Segments(
            self.owner[which], self.low[which], self.high[which], self.start[which], self.along[which],
            self.root[which], self.log_det[which], self.prior[which], self.freedom[which],
        )  # fmt: skip

    @cached_property
    def whitened_start(self) -> Array:
        """(segment, feature)."""
        return np.asarray(np.einsum("sij,sj->si", self.root, self.start), dtype=np.float64)

    @cached_property
    def whitened_along(self) -> Array:
        """(segment, feature)."""
        return np.asarray(np.einsum("sij,sj->si", self.root, self.along), dtype=np.float64)


def segments_of(unchanged: Drawn, paths: Sequence[Sequence[Path]], added: float) -> Segments:
    """Segments between the drawn sizes, the unchanged prototype first; prior uniform in the logarithm of the size.

    added  variance added to each score
    """
    floor = added * np.eye(unchanged.mean.size)
    owner, ends, means, covariances, prior = [-1], [(0.0, 0.0)], [(unchanged.mean, unchanged.mean)], [], [1.0]
    covariances.append(unchanged.within[0] + floor)
    freedom = [unchanged.freedom]
    for index, signs in enumerate(paths):
        for path in signs:
            sizes = np.array([each.size for each in path.drawn])
            logs = np.log(np.abs(sizes))
            fine = _between(logs, logs)
            length = np.diff(fine) / (fine[-1] - fine[0]) / len(signs)
            size = np.copysign(np.exp(fine), sizes[0])
            for group, share in enumerate(path.shares):
                ways = _between(logs, np.array([each.groups[group] for each in path.drawn]))
                spread = _linear(np.array([each.within[group] for each in path.drawn]))
                bent = departures(ways, size)
                for k, off in enumerate(bent):
                    owner.append(index)
                    ends.append((size[k], size[k + 1]))
                    means.append((ways[k], ways[k + 1]))
                    covariances.append(
                        0.5 * (spread[k] + spread[k + 1])
                        + np.outer(off, off)
                        + np.diag(0.5 * off * off)
                        + floor
                    )
                    prior.append(float(length[k] * share))
                    freedom.append(min(each.freedom for each in path.drawn[k // FINER : k // FINER + 2]))
    factors = np.linalg.cholesky(np.array(covariances))
    start, stop = np.array([m[0] for m in means]), np.array([m[1] for m in means])
    low, high = np.array(ends).T
    return Segments(
        np.array(owner), low, high, start, stop - start, np.asarray(np.linalg.inv(factors), dtype=np.float64),
        2.0 * np.sum(np.log(np.diagonal(factors, axis1=1, axis2=2)), axis=1), np.array(prior), np.array(freedom),
    )  # fmt: skip


def _between(places: Array, values: Array) -> Array:
    """Values at the places and FINER - 1 times between any two of them, by monotone cubic interpolation."""
    if len(places) < 3:
        return values
    wanted = np.interp(np.arange(FINER * (len(places) - 1) + 1) / FINER, np.arange(len(places)), places)
    found: Array = PchipInterpolator(places, values, axis=0)(wanted)
    return found


def _linear(values: Array) -> Array:
    """The same by straight lines, which leave covariances positive definite."""
    if len(values) < 3:
        return values
    at = np.arange(FINER * (len(values) - 1) + 1) / FINER
    below = np.minimum(at.astype(int), len(values) - 2)
    share = (at - below)[:, None, None]
    return np.asarray((1.0 - share) * values[below] + share * values[below + 1])


def departures(mean: Array, size: Array) -> Array:
    """How far the mean may depart from the straight line inside each piece of a path, (piece, feature).

    An eighth of the second difference of the means, the larger of those at both ends: the middle of a parabola.
    """
    steps = np.diff(size)
    if steps.size < 2:
        return np.zeros((steps.size, mean.shape[1]))
    slopes = np.diff(mean, axis=0) / steps[:, None]
    # by how much the slope changes at the inner sizes, over the length of the piece
    turn = np.abs(np.diff(slopes, axis=0))
    before = np.concatenate([turn[:1], turn])
    after = np.concatenate([turn, turn[-1:]])
    result: Array = np.maximum(before, after) * steps[:, None] / 8.0
    return result


def inflated(segments: Segments, factor: Array) -> Segments:
    """The same with covariances `factor` (segment,) times as large."""
    features = segments.start.shape[1]
    return replace(
        segments,
        root=segments.root / np.sqrt(factor)[:, None, None],
        log_det=segments.log_det + features * np.log(factor),
    )
