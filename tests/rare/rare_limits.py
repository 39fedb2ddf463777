"""Limit states whose failure probability has a closed form."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, ndtr
from scipy.stats import chi2, gamma

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Limit:
    """A margin as a function of the rows of z, with d named factors."""

    dimension: int
    margin: Callable[[Array], Array]

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(f"factor {number}" for number in range(1, self.dimension + 1))

    def __call__(self, z: Array) -> Array:
        return self.margin(z.T)


@dataclass(frozen=True)
class KnownLimit:
    """A limit with its probability; `uncertainty` is that of the probability itself (0 where exact)."""

    name: str
    limit: Limit
    probability: float
    uncertainty: float = 0.0


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
