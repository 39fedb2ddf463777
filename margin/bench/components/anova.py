"""Sums of squares of a nested classification, balanced or not, and what each mean square expects.

Sequential (type I) sums of squares; expected mean squares after Searle, Casella and McCulloch, Variance
Components (1992), chapter 5, and Henderson's method 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Codes = NDArray[np.intp]


@dataclass(frozen=True)
class Classification:
    """A nested classification of n values.

    names   levels from the outermost in; the last is the single value
    codes   one (n,) a level: number of the unit each value belongs to, units numbered across parents
    parents one a level: (units,) number of the unit of the level above each belongs to (0 for the outermost)
    counts  units of each level
    """

    names: tuple[str, ...]
    codes: tuple[Codes, ...]
    parents: tuple[Codes, ...]
    counts: tuple[int, ...]

    @property
    def dof(self) -> tuple[int, ...]:
        """Degrees of freedom of each level: units less units of the level above."""
        return tuple(c - p for c, p in zip(self.counts, (1, *self.counts[:-1]), strict=True))


def classify(labels: dict[str, Codes]) -> Classification:
    """Classification from one label column a level, outermost first, shapes (n,).

    A label needs to be distinct within its parent only: mounting 1 of sensor A is not mounting 1 of sensor B.
    """
    codes, parents, counts = [], [], []
    size = next(iter(labels.values())).size
    above: Codes = np.zeros(size, dtype=np.intp)
    for label in labels.values():
        local = np.unique(label, return_inverse=True)[1]
        joint = above.astype(np.int64) * (int(local.max(initial=0)) + 1) + local
        first, code = np.unique(joint, return_index=True, return_inverse=True)[1:]
        codes.append(code.astype(np.intp))
        parents.append(above[first])
        counts.append(int(first.size))
        above = codes[-1]
    return Classification(tuple(labels), tuple(codes), tuple(parents), tuple(counts))


def sums_of_squares(values: Array, classes: Classification) -> Array:
    """Sum of squares of each level, shape (levels,): sum over its units of n (mean - mean of the parent)^2.

    Two passes: a value of the data is taken off first (exact for values close together), then the means of
    the rest are formed level by level from their parents' residuals, so that constant leading digits cancel
    before anything is squared.
    """
    rest = values - values[0]
    rest = rest - rest.mean()
    squares = []
    for code, count in zip(classes.codes, classes.counts, strict=True):
        sizes = np.bincount(code, minlength=count)
        means = np.bincount(code, rest, minlength=count) / sizes
        squares.append(float(sizes @ means**2))
        rest = rest - means[code]
    return np.array(squares)


def expected_coefficients(classes: Classification) -> Array:
    """c[k, j]: how much the variance of level j counts in the expected sum of squares of level k.

    E SS_k = sum_j c[k, j] var_j; for level j inside level k
    c[k, j] = sum over units u of k, sum over v in u of n_v^2 / n_u, less the same over the parents of k.
    """
    levels = len(classes.counts)
    sizes = [np.bincount(code) for code in classes.codes]
    size = float(classes.codes[0].size)
    within = np.zeros((levels + 1, levels))
    for j in range(levels):
        squares = sizes[j].astype(float) ** 2
        within[0, j] = squares.sum() / size
        for k in range(j + 1):
            within[k + 1, j] = float(np.sum(squares / sizes[k][_ancestor(classes, j, k)]))
    result = np.zeros((levels, levels))
    for k in range(levels):
        result[k, k:] = within[k + 1, k:] - within[k, k:]
    return result


def _ancestor(classes: Classification, level: int, above: int) -> Codes:
    """Unit of level `above` that each unit of `level` belongs to."""
    unit = np.arange(classes.counts[level])
    for step in range(level, above, -1):
        unit = classes.parents[step][unit]
    return unit


@dataclass(frozen=True)
class MeanSquares:
    """Variances of unweighted means, each nearly independent and chi-square distributed.

    square        (levels,), pooled variance of the units' unweighted means within their parents
    coefficients  (levels, levels): square[k] expects sum_j coefficients[k, j] var_j, 1 on the diagonal
    dof           (levels,)
    mean          mean of the outermost units' unweighted means
    top           number of outermost units
    """

    square: Array
    coefficients: Array
    dof: NDArray[np.intp]
    mean: float
    top: int


def unweighted_mean_squares(values: Array, classes: Classification) -> MeanSquares:
    """Unweighted means analysis (Burdick and Graybill, Confidence Intervals on Variance
    Components, 1992).

    Exact chi-square mean squares for a balanced classification, close to it otherwise. A level where each
    parent has one unit has no degree of freedom and a square of 0.
    """
    levels = len(classes.counts)
    shift = float(values[0])
    means = np.bincount(classes.codes[-1], values - shift) / np.bincount(classes.codes[-1])
    squares = np.zeros(levels)
    coefficients = np.zeros((levels, levels))
    weights = np.zeros((levels, classes.counts[-1]))
    weights[-1] = 1.0
    for k in range(levels - 1, -1, -1):
        parent = classes.parents[k]
        count = int(parent.max()) + 1
        children = np.bincount(parent, minlength=count)
        upper = np.bincount(parent, means, minlength=count) / children
        dof = classes.counts[k] - count
        if dof:
            squares[k] = float(np.sum((means - upper[parent]) ** 2)) / dof
            share = (1 - 1 / children)[parent] / dof
            for j in range(k, levels):
                coefficients[k, j] = float(share @ weights[j, : classes.counts[k]])
        for j in range(k, levels):
            own = weights[j, : classes.counts[k]]
            weights[j, :count] = np.bincount(parent, own, minlength=count) / children**2
        if k:
            weights[k - 1, :count] = 1.0
        means = upper
    return MeanSquares(
        squares, coefficients, np.array(classes.dof), float(means[0]) + shift, classes.counts[0]
    )
