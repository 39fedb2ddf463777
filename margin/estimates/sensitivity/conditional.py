"""Conditional draws from a Gaussian copula: some columns drawn again, given all the others.

A Gaussian copula is a multivariate normal seen through the normal cdf, so its conditional law given a subset
of columns is that of the normal (Anderson 2003, An Introduction to Multivariate Statistical Analysis, 2.5.1).
The correlation of those normals is `distributions.GaussianCopula.normal_correlation`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from margin.estimates.sensitivity.scrambled_points import Array


def check_correlation(correlation: Array, columns: int) -> None:
    """Raise ValueError unless it is a correlation matrix, (c, c)."""
    matrix = np.asarray(correlation, dtype=float)
    if matrix.shape != (columns, columns):
        raise ValueError(
            f"correlation has shape {matrix.shape} for {columns} columns; it must be square, c by c"
        )
    if not np.isfinite(matrix).all() or not np.allclose(matrix, matrix.T, atol=1e-12):
        raise ValueError("correlation is not finite and symmetric; give the same value for (i, j) and (j, i)")
    if not np.allclose(np.diag(matrix), 1.0, atol=1e-12):
        raise ValueError(
            f"correlation has diagonal {np.diag(matrix)}; a column's correlation with itself is 1"
        )
    smallest = float(np.linalg.eigvalsh(matrix)[0])
    if smallest < -1e-10:
        raise ValueError(
            f"correlation is not positive semi-definite (smallest eigenvalue {smallest:.3g}): no set of "
            f"inputs can have these correlations together. Weaken the strongest ones"
        )


def symmetric_root(covariance: Array) -> Array:
    """Symmetric root; unlike a triangular one it exists for perfect correlation and favours no column."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray((vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T)


@dataclass(frozen=True)
class Redraw:
    """How the columns of a subset are drawn again given all others.

    subset  (c,) which columns are drawn again
    slope   (others, drawn) regression of the drawn columns on the others
    root    (drawn, drawn) symmetric root of their conditional covariance
    """

    subset: NDArray[np.bool_]
    slope: Array
    root: Array

    def apply(self, normals: Array, fresh: Array) -> Array:
        """Normals (rows, c) with the subset drawn again from independent normals `fresh` (rows, c)."""
        drawn = normals.copy()
        drawn[:, self.subset] = normals[:, ~self.subset] @ self.slope + fresh[:, self.subset] @ self.root
        return drawn


def redraw(correlation: Array, subset: NDArray[np.bool_]) -> Redraw:
    """Conditional law of the columns in `subset` given all others; correlation (c, c) of the normals."""
    cross = correlation[np.ix_(~subset, subset)]
    # the pseudo-inverse serves perfectly correlated columns, where the others hold a redundant one
    slope = np.linalg.pinv(correlation[np.ix_(~subset, ~subset)], rcond=1e-12, hermitian=True) @ cross
    conditional = correlation[np.ix_(subset, subset)] - cross.T @ slope
    return Redraw(subset, slope, symmetric_root((conditional + conditional.T) / 2.0))
