"""The density that importance sampling draws from: normal components about the design points and a wide one.

Each component's spread follows the curvature of the limit across the direction of failure: where the limit
bends away from the origin the failing region is narrow, where it bends around the origin it is wide
(second-order reliability, Breitung 1984). The wide component about the origin keeps every weight bounded
(defensive mixture, Hesterberg 1995) and finds failing regions that the design points do not speak of.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp

from margin.estimates.rare.design_point import DesignPoint
from margin.estimates.rare.draws import Draws
from margin.estimates.rare.limit import Array, CountedLimit

FULL_CURVATURE_UP_TO = 20
RANDOM_DIRECTIONS = 12
REACH = 1.0
PRECISIONS = (0.25, 25.0)
DEFENSIVE_SHARE = 0.15
MARGINAL_REACH = 1.6


@dataclass(frozen=True)
class Component:
    """One normal component: share of the draws, centre (d,), lower Cholesky factor (d, d) of its covariance."""

    share: float
    centre: Array
    factor: Array

    def log_density(self, z: Array) -> Array:
        """Logarithm of share times density at z, shape (n, d), without the constant of the normal density."""
        scaled = np.linalg.solve(self.factor, (z - self.centre).T)
        return np.asarray(
            np.log(self.share) - np.sum(np.log(np.diag(self.factor))) - 0.5 * np.sum(scaled**2, axis=0)
        )


@dataclass(frozen=True)
class Mixture:
    """Components about the design points, and last the wide one about the origin."""

    components: tuple[Component, ...]

    def draw(self, count: int, draws: Draws) -> Array:
        """`count` points, shape (count, d), their number in each component fixed by its share."""
        bounds = np.rint(count * np.cumsum([c.share for c in self.components])).astype(np.int64)
        standard = draws.normals(count, len(self.components[0].centre))
        parts = np.split(standard, bounds[:-1])
        return np.concatenate(
            [c.centre + part @ c.factor.T for c, part in zip(self.components, parts, strict=True)]
        )

    def weights(self, z: Array) -> tuple[Array, Array]:
        """Ratio of the standard normal density to the mixture's, and the wide component's part of the latter.

        Both of shape (n,). The first is the balance heuristic of Veach and Guibas (1995).
        """
        logs = np.stack([c.log_density(z) for c in self.components])
        total = logsumexp(logs, axis=0)
        return np.exp(-0.5 * np.sum(z**2, axis=1) - total), np.exp(logs[-1] - total)


def around(limit: CountedLimit, points: Sequence[DesignPoint], seed: int) -> Mixture:
    """The mixture for these design points; evaluates the limit to learn its curvature about each."""
    dimension = limit.dimension
    likely = np.array([np.sqrt(point.first_order) for point in points])
    shares = np.maximum(likely / likely.sum(), 0.05)
    shares *= (1 - DEFENSIVE_SHARE) / shares.sum()
    components = [
        Component(float(share), point.z, np.linalg.cholesky(_covariance(limit, point, Draws(seed, f"bend {k}"))))
        for k, (share, point) in enumerate(zip(shares, points, strict=True))
    ]
    wide = wide_spread(min(point.beta for point in points))
    components.append(Component(DEFENSIVE_SHARE, np.zeros(dimension), wide * np.eye(dimension)))
    return Mixture(tuple(components))


def wide_spread(beta: float) -> float:
    """Spread of the wide component: any direction's limit at `beta` is passed by about one draw in twenty."""
    return max(1.2, beta / MARGINAL_REACH)


def _covariance(limit: CountedLimit, point: DesignPoint, draws: Draws) -> Array:
    """Covariance about a design point: unit variance along it, (1 + beta x curvature)^-1 across."""
    dimension = limit.dimension
    if dimension == 1:
        return np.eye(1)
    bend = _full_bend if dimension <= FULL_CURVATURE_UP_TO else _mean_bend
    tangents, curvature = bend(limit, point, draws)
    values, vectors = np.linalg.eigh(curvature)
    precisions = np.clip(1 + point.beta * values, *PRECISIONS)
    axes = tangents @ vectors
    across = np.eye(dimension) - np.outer(point.direction, point.direction)
    known = axes @ axes.T
    mean = 1 / float(np.mean(precisions))
    return np.asarray(
        np.outer(point.direction, point.direction)
        + (axes / precisions) @ axes.T
        + mean * (across - known)
    )


def _tangents(direction: Array) -> Array:
    """An orthonormal basis, shape (d, d - 1), of the plane across `direction`."""
    basis, _ = np.linalg.qr(np.column_stack([direction, np.eye(len(direction))]))
    return np.asarray(basis[:, 1:])


def _full_bend(limit: CountedLimit, point: DesignPoint, draws: Draws) -> tuple[Array, Array]:
    """Basis (d, d - 1) across the point and the curvature matrix (d - 1, d - 1) of the limit there."""
    del draws
    tangents = _tangents(point.direction)
    count = tangents.shape[1]
    steps = REACH * tangents.T
    first, second = np.triu_indices(count, 1)
    offsets = np.concatenate([np.zeros((1, limit.dimension)), steps, -steps, steps[first] + steps[second]])
    margins = limit(point.z + offsets)
    middle, ahead, behind = margins[0], margins[1 : count + 1], margins[count + 1 : 2 * count + 1]
    curvature = np.diag(ahead - 2 * middle + behind)
    mixed = margins[2 * count + 1 :] - ahead[first] - ahead[second] + middle
    curvature[first, second] = mixed
    curvature[second, first] = mixed
    return tangents, curvature / (REACH**2 * point.slope)


def _mean_bend(limit: CountedLimit, point: DesignPoint, draws: Draws) -> tuple[Array, Array]:
    """The same for many factors: one curvature for all directions, the mean over a few random ones."""
    tangents = _tangents(point.direction)
    random = draws.normals(RANDOM_DIRECTIONS, tangents.shape[1])
    random *= REACH / np.linalg.norm(random, axis=1, keepdims=True)
    steps = random @ tangents.T
    margins = limit(point.z + np.concatenate([np.zeros((1, limit.dimension)), steps, -steps]))
    second = margins[1 : RANDOM_DIRECTIONS + 1] + margins[RANDOM_DIRECTIONS + 1 :] - 2 * margins[0]
    mean = float(np.mean(second)) / (REACH**2 * point.slope)
    return tangents, mean * np.eye(tangents.shape[1])
