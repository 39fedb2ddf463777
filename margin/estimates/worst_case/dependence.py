"""Correlations of the variables of a corner: what the copula of the draws makes of their deviations."""

from __future__ import annotations

import itertools
import math

import numpy as np
from numpy.polynomial.hermite_e import hermegauss
from numpy.typing import NDArray
from scipy.special import gammaln, ndtr

from distributions import Distribution
from distributions.distribution import LARGEST_UNIFORM, SMALLEST_UNIFORM
from margin.estimates.worst_case.variables import Variable, freedom, standard_deviation
from margin.propagation.dependence import DependentGroup
from margin.propagation.factors import Factor

Array = NDArray[np.float64]

NODES = 40


def correlation_of(variables: tuple[Variable, ...], groups: tuple[DependentGroup, ...]) -> Array:
    """Correlation matrix (variable, variable), for the covariances of JCGM 100, 5.2.2.

    Two variables are tied where their factors are, at one event and one load.
    """
    matrix = np.eye(len(variables))
    for group in groups:
        normal = group.copula.normal_correlation
        members = [(i, v) for i, v in enumerate(variables) if v.factor.name in group.names]
        for (i, a), (j, b) in itertools.combinations(members, 2):
            if (a.stream, a.place) != (b.stream, b.place):
                continue
            r = float(normal[group.names.index(a.factor.name), group.names.index(b.factor.name)])
            moment = product_moment(a.factor.distribution, b.factor.distribution, r)
            matrix[i, j] = matrix[j, i] = moment * _tied_share(a.factor) * _tied_share(b.factor)
    return matrix


def product_moment(first: Distribution, second: Distribution, normal: float) -> float:
    """Correlation (Pearson) of two shapes whose normal scores have the correlation `normal`.

    The expectation over the bivariate normal distribution by Gauss-Hermite quadrature (Der Kiureghian and Liu,
    1986, from memory); `normal` itself for two normal shapes.
    """
    z, weight = hermegauss(NODES)
    weight = weight / weight.sum()
    x = _standard(first, z)[:, None]
    y = _standard(second, normal * z[:, None] + math.sqrt(1.0 - normal**2) * z)
    return float(np.sum(weight[:, None] * weight * x * y))


def _standard(shape: Distribution, scores: Array) -> Array:
    uniforms = np.clip(ndtr(scores), SMALLEST_UNIFORM, LARGEST_UNIFORM)
    return np.asarray((shape.ppf(uniforms) - shape.mean) / shape.sd)


def _tied_share(factor: Factor) -> float:
    """Share of a factor's standard deviation that the copula ties: less than 1 where the spread was measured.

    Mean and standard deviation s from few units have draws of their own; what is left of the tie is
    E(sqrt(nu / chi2(nu))) s, of the standard deviation of one further unit.
    """
    if factor.measured_on is None:
        return 1.0
    nu = freedom(factor.measured_on)
    ratio = math.sqrt(nu / 2.0) * math.exp(float(gammaln((nu - 1) / 2.0) - gammaln(nu / 2.0)))
    return ratio * factor.distribution.sd / standard_deviation(factor)
