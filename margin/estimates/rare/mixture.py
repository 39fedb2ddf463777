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
from scipy.linalg import solve_triangular
from scipy.special import logsumexp

from margin.estimates.rare.design_point import DesignPoint
from margin.estimates.rare.draws import Draws
from margin.estimates.rare.limit import Array, CountedLimit

FULL_CURVATURE_UP_TO = 20
RANDOM_DIRECTIONS = 12
REACH = 1.0
ALONG = 0.7
AHEAD = 0.5
PRECISIONS = (0.25, 25.0)
DEFENSIVE_SHARE = 0.1
MARGINAL_REACH = 1.6


@dataclass(frozen=True)
class Component:
    """One normal component, sheared along the paraboloid that the limit resembles.

    share      of the draws
    centre     shape (d,)
    factor     lower Cholesky factor (d, d) of the covariance before the shear
    direction  unit vector of failure (d,); zero for no shear
    bend       curvature matrix (d, d) across the direction: a point v across moves by v' bend v / 2 along it
    """

    share: float
    centre: Array
    factor: Array
    direction: Array
    bend: Array

    def place(self, standard: Array) -> Array:
        """Points (n, d) from standard normal ones (n, d)."""
        offset = standard @ self.factor.T
        return self.centre + offset + self._shear(offset)

    def log_density(self, z: Array) -> Array:
        """Logarithm of share times density at z, shape (n, d), without the constant of the normal density.

        The shear keeps volumes, so the density is that of the point moved back.
        """
        offset = z - self.centre
        scaled = solve_triangular(self.factor, (offset - self._shear(offset)).T, lower=True)
        return np.asarray(
            np.log(self.share) - np.sum(np.log(np.diag(self.factor))) - 0.5 * np.sum(scaled**2, axis=0)
        )

    @property
    def bent(self) -> float:
        """Sum over the directions across of squared bend times distance: what a mean bend may miss."""
        return float(np.sum(self.bend**2)) * max(float(np.sum(self.centre**2)), 1.0)

    def _shear(self, offset: Array) -> Array:
        along = 0.5 * np.sum((offset @ self.bend) * offset, axis=1)
        return np.asarray(along[:, None] * self.direction)


@dataclass(frozen=True)
class Mixture:
    """Components about the design points, and last the wide one about the origin."""

    components: tuple[Component, ...]

    @property
    def bent(self) -> float:
        """How much the limit bends where only its mean bend is known: the largest of the components; 0 in few
        dimensions. Beyond 12 the weights get a tail that a few thousand draws do not see (measured on sums of
        25 to 100 exponentials: the estimate comes out low, and the interval covers 90 % in place of 95 %)."""
        if len(self.components[0].centre) <= FULL_CURVATURE_UP_TO:
            return 0.0
        return max(component.bent for component in self.components)

    def draw(self, count: int, draws: Draws) -> Array:
        """`count` points, shape (count, d), their number in each component the whole number below or above its share.

        Rounding by one random offset makes every number right on average (systematic sampling, Cochran 1977,
        8.1), so that fixed numbers do not bias the estimate.
        """
        shares = np.cumsum([c.share for c in self.components[:-1]])
        bounds = np.floor(count * shares + draws.uniforms(1)).astype(np.int64)
        standard = draws.normals(count, len(self.components[0].centre))
        parts = np.split(standard, bounds)
        return np.concatenate([c.place(part) for c, part in zip(self.components, parts, strict=True)])

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
        _component(limit, float(share), point, Draws(seed, f"bend {number}"))
        for number, (share, point) in enumerate(zip(shares, points, strict=True))
    ]
    wide = wide_spread(min(point.beta for point in points))
    none = np.zeros(dimension)
    components.append(
        Component(DEFENSIVE_SHARE, none, wide * np.eye(dimension), none, np.zeros((dimension, dimension)))
    )
    return Mixture(tuple(components))


def wide_spread(beta: float) -> float:
    """Spread of the wide component: any direction's limit at `beta` is passed by about one draw in twenty."""
    return max(1.2, beta / MARGINAL_REACH)


def _component(limit: CountedLimit, share: float, point: DesignPoint, draws: Draws) -> Component:
    """The component about a design point: spread reduced along it, variance 1 / (1 + beta bend) across."""
    dimension = limit.dimension
    along = np.outer(point.direction, point.direction)
    centre = point.z + AHEAD / max(point.beta, 1.0) * point.direction
    if dimension == 1:
        return Component(share, centre, ALONG * np.eye(1), np.zeros(1), np.zeros((1, 1)))
    bend = _full_bend if dimension <= FULL_CURVATURE_UP_TO else _mean_bend
    tangents, curvature = bend(limit, point, draws)
    values, vectors = np.linalg.eigh(curvature)
    precisions = np.clip(1 + point.beta * values, *PRECISIONS)
    axes = tangents @ vectors
    covariance = ALONG**2 * along + (axes / precisions) @ axes.T
    curvatures = (precisions - 1) / max(point.beta, 1.0)
    return Component(
        share, centre, np.linalg.cholesky(covariance), point.direction, (axes * curvatures) @ axes.T
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
