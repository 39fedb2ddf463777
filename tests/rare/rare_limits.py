"""Limit states whose failure probability has a closed form."""

from __future__ import annotations

import numpy as np
from limit_states import KnownLimit, Limit
from scipy.special import log_ndtr, ndtr
from scipy.stats import chi2, gamma


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


def staircase(beta: float, step: float = 0.5) -> KnownLimit:
    """A sum of two factors quantised like a converter's output, failing where its middle reaches beta: Phi(-beta)
    where beta is a whole number of steps."""
    return KnownLimit(
        f"staircase {beta:g}",
        Limit(2, lambda z: beta - np.floor(z.sum(axis=0) / np.sqrt(2) / step) * step - step / 2),
        float(ndtr(-beta)),
    )
