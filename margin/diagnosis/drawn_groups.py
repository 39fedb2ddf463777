"""Scores of drawn prototypes with one size of one cause, in groups of units that the cause treats alike."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.cluster.vq import kmeans2
from scipy.linalg import eigh

Array = NDArray[np.float64]

LEAST_VARIANCE = 0.01
"""Variance that is added to each score: draws are few, codes are whole."""

MOST_FREEDOM = 200.0
"""Degrees of freedom from which a t distribution counts as normal."""

GROUPS = 5
"""Most groups of units by what a cause does to them."""

LEAST_GROUP = 0.05
"""Smallest share of the units that is a group."""

HELD = 8.0
"""Draws per feature that the sum of unchanged noise and change counts as, beside the draws of a group themselves."""

UNEVEN = 0.3
"""Standard deviation of the compressed changes that a cause makes, from which groups are told apart."""


@dataclass(frozen=True)
class Drawn:
    """Scores of the features of drawn prototypes with one size of one cause.

    mean            (feature,) over all
    groups, within  means of the groups of units that the cause treats alike, (group, feature), and covariance within
                    each, (group, feature, feature)
    freedom         degrees of freedom of the multivariate t distribution within the groups
    """

    size: float
    mean: Array
    groups: Array
    within: Array
    freedom: float


@dataclass(frozen=True)
class Path:
    """One sign of a cause from the least size that shows to the largest; shares: (group,) of the units."""

    drawn: tuple[Drawn, ...]
    shares: Array


def drawn_of(
    size: float,
    scores: Array,
    labels: NDArray[np.intp],
    noise: Array | None = None,
    change: Array | None = None,
) -> Drawn:
    """Groups of scores (unit, feature) by their labels.

    noise, change  covariance of the unchanged units, and by how much these have changed, (unit, feature): covariances
                   are held to the sum of both, as those of few draws are noisy
    """
    groups, within, rest = [], [], []
    for label in range(int(labels.max()) + 1):
        own = scores[labels == label]
        groups.append(own.mean(axis=0))
        covariance = np.atleast_2d(np.cov(own, rowvar=False))
        if noise is not None and change is not None:
            weight = HELD * scores.shape[1]
            held = noise + np.cov(change[labels == label], rowvar=False)
            covariance = (len(own) * covariance + weight * held) / (len(own) + weight)
        within.append(covariance)
        rest.append(own - groups[-1])
    return Drawn(size, scores.mean(axis=0), np.array(groups), np.array(within), freedom_of(rest, within))


def groups_of(changes: Array) -> NDArray[np.intp]:
    """Labels (unit,) of units that a cause treats alike, from its changes over its sizes, (size, unit, feature).

    Changes are in the noise of the unchanged units, and compressed, as small sizes count as large ones do; k means,
    begun at quantiles along the direction of most variation.
    """
    compressed = np.arcsinh(changes)
    rows = compressed.transpose(1, 0, 2).reshape(changes.shape[1], -1)
    alone = np.zeros(len(rows), dtype=np.intp)
    if float(np.max(np.std(compressed, axis=1))) < UNEVEN:
        return alone
    rows = rows - rows.mean(axis=0)
    size = rows.shape[1]
    along = rows @ eigh(rows.T @ rows, subset_by_index=[size - 1, size - 1])[1][:, 0]
    order = np.argsort(along, kind="stable")
    for count in range(GROUPS, 1, -1):
        begin = np.array([rows[which].mean(axis=0) for which in np.array_split(order, count)])
        with warnings.catch_warnings():
            # an empty group is too small a group
            warnings.simplefilter("ignore")
            _, labels = kmeans2(rows, begin, minit="matrix")
        if np.bincount(labels, minlength=count).min() >= LEAST_GROUP * len(rows):
            return np.asarray(labels, dtype=np.intp)
    return alone


def freedom_of(residuals: Sequence[Array], covariances: Sequence[Array]) -> float:
    """Degrees of freedom of a multivariate t distribution with the fourth moment of these residuals (unit, feature).

    E d^4 / (E d^2)^2 = (1 + 2/p) (nu - 2) / (nu - 4) for p features: Mardia's kurtosis of the t distribution
    (from memory). Between 6 and MOST_FREEDOM.
    """
    squared = []
    for rest, covariance in zip(residuals, covariances, strict=True):
        root = np.linalg.inv(np.linalg.cholesky(covariance + LEAST_VARIANCE * np.eye(covariance.shape[0])))
        squared.append(np.sum((rest @ root.T) ** 2, axis=1))
    distance = np.concatenate(squared)
    features = residuals[0].shape[1]
    ratio = float(np.mean(distance**2) / np.mean(distance) ** 2) / (1.0 + 2.0 / features)
    return float(np.clip((4.0 * ratio - 2.0) / max(ratio - 1.0, 1e-6), 6.0, MOST_FREEDOM))


def shift(mean: Array, unchanged: Drawn) -> float:
    """Distance of a mean from the unchanged one, in the noise of that; as far as a single feature shows it."""
    noise = np.sqrt(np.diag(unchanged.within[0])) + 1e-9
    return float(np.max(np.abs(mean - unchanged.mean) / noise))
