"""Share of conforming units as a smooth function of what is not known.

Every unit is drawn under one outer draw, but a yield changes smoothly from outer draw to outer draw: a surface
fitted through all of them lets each unit tell of every outer draw, and is then read at as many outer draws as one
likes. The 5 % point costs one study, not one study for each outer draw.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, ndtr, ndtri

Array = NDArray[np.float64]

DRAWS_FOR_A_TERM = 4
UNITS_FOR_A_TERM = 10
"""At least so many outer draws, and units of the rarer verdict, for each term (common practice, no source)."""

LEAST_UNKNOWNS = 3
"""Leading unknowns of which a surface must hold so many, or all there are: fewer leave too much to the scatter."""

_PENALTY = 1.0  # as if each coefficient had been seen at 0, to within 1: it tames no more than rare verdicts
_STEPS, _TOLERANCE = 50, 1e-9
_LARGEST_SCORE = 7.0


def powers(scores: Array) -> Array:
    """Terms of the surface, (draw, term): 1, the scores, their squares, their products in pairs.

    For standard normal scores (draw, unknown) all but the first have mean 0 and variance 1, and none goes with
    another (Hermite polynomials).
    """
    count, unknowns = scores.shape
    pairs = [scores[:, i] * scores[:, j] for i in range(unknowns) for j in range(i)]
    return np.stack([np.ones(count), *scores.T, *((scores.T**2 - 1.0) / np.sqrt(2.0)), *pairs], axis=1)


def unknowns_supported(draws: int, rarer: float) -> int:
    """Unknowns of a surface that so many outer draws, with so many units of the rarer verdict, can support."""
    most = min(draws / DRAWS_FOR_A_TERM, rarer / UNITS_FOR_A_TERM)
    return max(int((np.sqrt(1.0 + 8.0 * most) - 3.0) / 2.0), 0)


def leading(scores: Array, shares: Array, count: int) -> tuple[int, ...]:
    """The unknowns that the shares go with most, `count` of them: by the squared correlations with the score and its
    square."""
    centred = shares - shares.mean()
    squares = (scores**2 - 1.0) / np.sqrt(2.0)
    explained = (scores.T @ centred) ** 2 + (squares.T @ centred) ** 2
    return tuple(sorted(np.argsort(-explained, kind="stable")[:count].tolist()))


@dataclass(frozen=True)
class Surface:
    """Probit of the yield of an outer draw: powers(scores[:, unknowns]) @ coefficients + scatter * N(0, 1).

    unknowns       those that the surface depends on
    covariance     of the coefficients
    scatter        what is left between outer draws beside the surface, the lesser unknowns among it
    scatter_error  its standard error
    """

    unknowns: tuple[int, ...]
    coefficients: Array
    covariance: Array
    scatter: float
    scatter_error: float

    def probits(self, scores: Array, other: Array) -> Array:
        """Probits of the yields of outer draws, (draw,); other: (draw,) normal scores of what is left."""
        return np.asarray(powers(scores[:, self.unknowns]) @ self.coefficients + self.scatter * other)

    def errors(self, scores: Array, other: Array, count: int, generator: np.random.Generator) -> Array:
        """Drawn errors of these probits by the errors of coefficients and scatter, (draw, count)."""
        values, vectors = np.linalg.eigh(self.covariance)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        drawn = generator.standard_normal((count, values.size)) @ root.T
        scatter = self.scatter_error * generator.standard_normal(count)
        return np.asarray(powers(scores[:, self.unknowns]) @ drawn.T + other[:, None] * scatter)


def fit_surface(scores: Array, shares: Array, units: float, noise: float) -> Surface | None:
    """Surface through the shares of outer draws; None where they tell too little for one.

    scores  (draw, unknown), standard normal; shares: (draw,) conforming shares of `units` units each
    noise   variance of a share about the yield of its outer draw

    Probit regression by Newton steps, each halved until the penalised likelihood rises (McCullagh and Nelder,
    'Generalized Linear Models', 1989, 2.5). The covariance is scaled by the dispersion (there, 4.5),
    residuals against the binomial variance, where lots and what the surface leaves make it larger; that better
    points make it smaller is not counted on.
    """
    draws = shares.size
    total = float(shares.sum()) * units
    count = min(unknowns_supported(draws, min(total, draws * units - total)), scores.shape[1])
    if count < min(LEAST_UNKNOWNS, max(scores.shape[1], 1)):
        return None
    unknowns = leading(scores, shares, count)
    terms = powers(scores[:, unknowns])
    penalty = np.diag([0.0] + [_PENALTY] * (terms.shape[1] - 1))
    coefficients = np.zeros(terms.shape[1])
    coefficients[0] = ndtri(total / (draws * units))
    for _ in range(_STEPS):
        fitted, density = _fitted(terms, coefficients)
        weights = density / (fitted * (1.0 - fitted))
        slope = units * terms.T @ ((shares - fitted) * weights) - penalty @ coefficients
        step = np.linalg.solve(_curvature(terms, units * density * weights) + penalty, slope)
        before = _likelihood(terms, coefficients, shares, units, penalty)
        while (
            np.abs(step).max() > _TOLERANCE
            and _likelihood(terms, coefficients + step, shares, units, penalty) < before
        ):
            step = 0.5 * step
        coefficients = coefficients + step
        if np.abs(step).max() <= _TOLERANCE:
            break
    fitted, density = _fitted(terms, coefficients)
    each = fitted * (1.0 - fitted) / units
    residual = float(np.sum((shares - fitted) ** 2)) / (draws - terms.shape[1])
    # sums, not ratios draw by draw: one failure where none is expected would outweigh all other draws
    dispersion = max(residual / float(each.mean()), 1.0)
    covariance = dispersion * np.linalg.inv(_curvature(terms, density**2 / each) + penalty)
    steepness = float(np.mean(density**2))
    scatter = float(np.sqrt(max(residual - noise, 0.0) / steepness))
    # of the residual variance by the degrees of freedom, carried to the root of what is left of it
    spread = residual * np.sqrt(2.0 / (draws - terms.shape[1])) / steepness
    error = float(0.5 * spread / scatter) if scatter > 0.0 else 0.0
    return Surface(unknowns, coefficients, covariance, scatter, min(error, float(np.sqrt(spread))))


def _fitted(terms: Array, coefficients: Array) -> tuple[Array, Array]:
    """Fitted shares, and the density of the normal distribution at their probits, (draw,) each."""
    score = np.clip(terms @ coefficients, -_LARGEST_SCORE, _LARGEST_SCORE)
    return ndtr(score), np.exp(-0.5 * score**2) / np.sqrt(2.0 * np.pi)


def _curvature(terms: Array, weights: Array) -> Array:
    return np.asarray((terms * weights[:, None]).T @ terms)


def _likelihood(terms: Array, coefficients: Array, shares: Array, units: float, penalty: Array) -> float:
    score = terms @ coefficients
    each = shares * log_ndtr(score) + (1.0 - shares) * log_ndtr(-score)
    return units * float(each.sum()) - 0.5 * float(coefficients @ penalty @ coefficients)
