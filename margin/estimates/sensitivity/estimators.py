"""Estimators of first, second and total order, for all outputs and many row weightings at once.

Each is a smooth function of weighted means over base rows, so that one code gives the estimate and, with
other weights, everything that an interval needs. Outputs are centred by their mean over all runs beforehand:
the first-order estimators are right on average without it, but far noisier.

Shapes: a, b (rows, k); ab, ba (d, rows, k); weights (batch, rows), each summing to 1; result (batch, d, k).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from margin.estimates.sensitivity.design import Array

FirstOrder = Callable[[Array, Array, Array, Array], Array]


def variance(a: Array, b: Array, weights: Array) -> Array:
    """Variance of the output over A and B together, (batch, k)."""
    mean = (weights @ a + weights @ b) / 2.0
    return np.asarray((weights @ (a * a) + weights @ (b * b)) / 2.0 - mean**2)


def first_order_saltelli(a: Array, b: Array, ab: Array, weights: Array) -> Array:
    """Variance of E[y | x_g]: mean of f(B) (f(AB_g) - f(A)).

    Saltelli et al. 2010, Computer Physics Communications 181, 259-270, table 2 (b). Its error falls with the
    index itself, so that weak groups are resolved.
    """
    return np.stack([weights @ (b * (one - a)) for one in ab], axis=1)


def first_order_janon(a: Array, b: Array, ab: Array, weights: Array) -> Array:
    """Variance of E[y | x_g] by the estimator that pools f(B) and f(AB_g), scaled to the variance over A, B.

    Janon, Klein, Lagnoux, Nodet and Prieur 2014, ESAIM: Probability and Statistics 18, 342-364
    (after Monod, Naud and Makowski 2006). Better for a group that carries most of the variance, up to a
    hundred times worse for a weak one.
    """
    total = variance(a, b, weights)
    mean_b, square_b = weights @ b, weights @ (b * b)
    found = []
    for one in ab:
        mean = (mean_b + weights @ one) / 2.0
        pooled = (square_b + weights @ (one * one)) / 2.0 - mean**2
        with np.errstate(invalid="ignore", divide="ignore"):
            found.append((weights @ (b * one) - mean**2) / pooled * total)
    return np.stack(found, axis=1)


def total_order_jansen(a: Array, ab: Array, weights: Array) -> Array:
    """E[Var(y | all but x_g)]: half the mean of (f(A) - f(AB_g))^2; never negative.

    Jansen 1999, Computer Physics Communications 117, 35-43; Saltelli et al. 2010, table 2 (f).
    """
    return np.stack([weights @ (a - one) ** 2 / 2.0 for one in ab], axis=1)


def second_order_saltelli(a: Array, b: Array, ab: Array, ba: Array, first: Array, weights: Array) -> Array:
    """Variance by the interaction of g and h alone, (batch, d, d, k): NaN on and below the diagonal.

    Mean of f(BA_g) f(AB_h) - f(A) f(B), less both first orders (Saltelli 2002, Computer Physics
    Communications 145, 280-297, with the matrices exchanged). `first`: variances, (batch, d, k).
    """
    batch, groups, outputs = first.shape
    found = np.full((batch, groups, groups, outputs), np.nan)
    product = weights @ (a * b)
    for g in range(groups):
        for h in range(g + 1, groups):
            closed = weights @ (ba[g] * ab[h]) - product
            found[:, g, h] = closed - first[:, g] - first[:, h]
    return found


FIRST_ORDER: dict[str, FirstOrder] = {
    "Saltelli 2010": first_order_saltelli,
    "Janon 2014": first_order_janon,
}
