"""Limit states whose failure probability has a closed form."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from limit_states import Array, KnownLimit, Limit
from scipy.special import log_ndtr, ndtr
from scipy.stats import chi2, gamma, ncx2


def linear(beta: float, dimension: int) -> KnownLimit:
    """beta - sum z / sqrt(d): probability Phi(-beta)."""
    return KnownLimit(
        f"linear {beta:g} d={dimension}",
        Limit(dimension, lambda z: beta - z.sum(axis=0) / np.sqrt(dimension)),
        float(ndtr(-beta)),
    )


def exponential_sum(dimension: int, bound: float) -> KnownLimit:
    """bound - sum of d unit exponentials (after Engelund and Rackwitz 1993): the gamma tail."""
    return KnownLimit(
        f"exponential sum d={dimension} c={bound:.1f}",
        Limit(dimension, lambda z: bound + log_ndtr(-z).sum(axis=0)),
        float(gamma.sf(bound, dimension)),
    )


def radial(dimension: int, radius: float) -> KnownLimit:
    """radius - |z|: the chi-square tail."""
    return KnownLimit(
        f"radial d={dimension}",
        Limit(dimension, lambda z: radius - np.sqrt((z**2).sum(axis=0))),
        float(chi2.sf(radius**2, dimension)),
    )


def islands(centres: Sequence[Sequence[float]], radius: float, name: str) -> KnownLimit:
    """Separate balls of one radius about the centres, failure inside: the distance to the nearest of them.

    The squared distance from a centre is noncentral chi-square (its definition); balls that do not meet add up.
    """
    where = np.array(centres, dtype=np.float64)
    apart = np.linalg.norm(where[:, None, :] - where[None, :, :], axis=2)[np.triu_indices(len(where), 1)]
    assert apart.min() > 2 * radius
    dimension = where.shape[1]

    def margin(z: Array) -> Array:
        return np.asarray(np.min([np.linalg.norm(z.T - c, axis=1) for c in where], axis=0) - radius)

    probability = float(np.sum(ncx2.cdf(radius**2, dimension, np.sum(where**2, axis=1))))
    return KnownLimit(name, Limit(dimension, margin), probability)


def four_islands(dimension: int) -> KnownLimit:
    """Four equal balls along both directions of the first two axes: 3.5e-6 with 2 factors, 1.6e-4 with 6."""
    distance, radius = (5.0, 0.5) if dimension == 2 else (4.5, 1.5)
    centres = distance * np.concatenate([np.eye(dimension)[:2], -np.eye(dimension)[:2]])
    return islands(centres.tolist(), radius, f"four islands d={dimension}")


def near_islands() -> KnownLimit:
    """Four balls 45 degrees apart, at distances that differ by up to 0.4."""
    angles = np.radians([0.0, 45.0, 90.0, 135.0])
    centres = np.array([4.3, 4.5, 4.7, 4.6])[:, None] * np.column_stack([np.cos(angles), np.sin(angles)])
    return islands(centres.tolist(), 0.7, "four islands 45 degrees apart")


def staircase(beta: float, step: float = 0.5) -> KnownLimit:
    """A sum of two factors quantised like a converter's output, failing where its middle reaches beta: Phi(-beta)
    where beta is a whole number of steps."""
    return KnownLimit(
        f"staircase {beta:g}",
        Limit(2, lambda z: beta - np.floor(z.sum(axis=0) / np.sqrt(2) / step) * step - step / 2),
        float(ndtr(-beta)),
    )
