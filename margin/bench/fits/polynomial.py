"""Weighted least squares of a polynomial, for outputs that are nearly straight."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from margin.bench.errors import NotMeasurableError
from margin.bench.fits.curve import CurveFit

Array = NDArray[np.float64]


def fit_polynomial(x: Array, y: Array, degree: int, weights: Array | None = None) -> CurveFit:
    """y = b0 + b1 x + ... + bd x^d by orthogonal triangular factors of the columns (x / max|x|)^k.

    x, y, weights  (n,); names of the parameters b0 ... bd. Raises NotMeasurableError for n <= degree + 1 or
    for too few different x.
    """
    different = np.unique(x).size
    if y.size <= degree + 1 or different <= degree:
        needed = f"more than {degree + 1} readings at more than {degree} loads"
        why = f"a polynomial of degree {degree} needs {needed}"
        raise NotMeasurableError(f"{why} (got {y.size} at {different})", "measure more loads")
    weight = np.ones_like(y) if weights is None else weights
    unit = float(np.abs(x).max())
    powers = np.arange(degree + 1)
    root = np.sqrt(weight)
    design = (x / unit)[:, None] ** powers
    q, r = np.linalg.qr(root[:, None] * design)
    scaled = np.linalg.solve(r, q.T @ (root * y))
    fitted = design @ scaled
    residuals = y - fitted
    dof = y.size - degree - 1
    rss = float(weight @ residuals**2)
    inverse = np.linalg.inv(r)
    size = unit ** -powers.astype(float)
    covariance = rss / dof * (inverse @ inverse.T) * np.outer(size, size)
    return CurveFit(
        tuple(f"b{k}" for k in powers),
        scaled * size,
        np.sqrt(np.diag(covariance)),
        covariance,
        fitted,
        residuals,
        rss,
        float(np.sqrt(rss / dof)),
        dof,
        weight,
    )
