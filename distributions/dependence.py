"""Dependence between factors of one level: a Gaussian copula set by rank correlations."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

from distributions.distribution import LARGEST_UNIFORM, SMALLEST_UNIFORM
from distributions.errors import MarginError

Array = NDArray[np.float64]


class NotPositiveDefinite(MarginError, ValueError):
    """Correlations that cannot all hold. Carries `names` of the offenders and `nearest`, a valid matrix."""

    def __init__(self, names: tuple[str, ...], nearest: Array) -> None:
        rows = "; ".join(
            f"{name}: " + ", ".join(f"{v:+.3f}" for v in row)
            for name, row in zip(names, nearest, strict=True)
        )
        super().__init__(
            f"the rank correlations among {', '.join(names)} cannot all hold (not positive definite); "
            f"the nearest valid matrix is [{rows}]"
        )
        self.names = names
        self.nearest = nearest

    def __reduce__(self) -> tuple[type[NotPositiveDefinite], tuple[tuple[str, ...], Array]]:
        return type(self), (self.names, self.nearest)


def normal_from_rank(rho: ArrayLike) -> Array:
    """Correlation of normal variables whose rank correlation (Spearman) is rho: r = 2 sin(pi rho / 6).

    Pearson 1907, exact for the bivariate normal distribution; 1 and -1 stay what they are to the bit.
    """
    ranks = np.asarray(rho, dtype=np.float64)
    return np.where(np.abs(ranks) == 1.0, ranks, 2.0 * np.sin(np.pi * ranks / 6.0))


def rank_from_normal(r: ArrayLike) -> Array:
    """Inverse of `normal_from_rank`."""
    normal = np.asarray(r, dtype=np.float64)
    return np.where(np.abs(normal) == 1.0, normal, 6.0 / np.pi * np.arcsin(normal / 2.0))


def nearest_correlation(matrix: Array, smallest: float = 1e-6, rounds: int = 500) -> Array:
    """Nearest correlation matrix (Frobenius norm) by alternating projections with Dykstra's correction.

    Higham, 'Computing the nearest correlation matrix', 2002, algorithm 3.3; eigenvalues are kept at
    `smallest` or above so that the answer can be factorised.

    >>> import numpy as np
    >>> from distributions import nearest_correlation
    >>> found = nearest_correlation(np.array([[1.0, 0.9, -0.9], [0.9, 1.0, 0.9], [-0.9, 0.9, 1.0]]))
    >>> bool(np.linalg.eigvalsh(found).min() > 0.0)
    True
    """
    current, correction = matrix.copy(), np.zeros_like(matrix)
    for _ in range(rounds):
        shifted = current - correction
        values, vectors = np.linalg.eigh(shifted)
        projected = (vectors * np.maximum(values, smallest)) @ vectors.T
        correction = projected - shifted
        previous, current = current, projected.copy()
        np.fill_diagonal(current, 1.0)
        if np.abs(current - previous).max() < 1e-10:
            break
    # the last projection may leave an eigenvalue a rounding below: pull in just enough
    lowest = float(np.linalg.eigvalsh(current)[0])
    if lowest < smallest:
        weight = (smallest - lowest) / (1.0 - lowest)
        current = (1.0 - weight) * current + weight * np.eye(len(current))
    return np.asarray(current)


def correlation_matrix(names: Sequence[str], ties: Iterable[tuple[str, str, float]]) -> Array:
    """Rank correlations (name, name) of pairs: 0 where none is stated and none follows.

    ties  (first, second, rank correlation); both names are among `names`

    Factors tied by 1 or -1 are one draw: what is stated of one of them follows for the other, with its sign.

    >>> from distributions import correlation_matrix
    >>> correlation_matrix(("a", "b", "c"), [("a", "b", 0.5)]).tolist()
    [[1.0, 0.5, 0.0], [0.5, 1.0, 0.0], [0.0, 0.0, 1.0]]
    """
    matrix, stated = np.eye(len(names)), np.eye(len(names), dtype=bool)
    for first, second, rho in ties:
        i, j = names.index(first), names.index(second)
        matrix[i, j] = matrix[j, i] = rho
        stated[i, j] = stated[j, i] = True
    for _ in names:
        # one more link of a chain of whole ties in each round
        for i, j in np.argwhere(stated & (np.abs(matrix) == 1.0)):
            follows = stated[j] & ~stated[i]
            matrix[i, follows] = matrix[follows, i] = matrix[i, j] * matrix[j, follows]
            stated[i] |= follows
            stated[:, i] |= follows
    return matrix


_LEAST = 1e-12
"""Eigenvalues and pivots from here down are 0 but for rounding."""


@dataclass(frozen=True)
class GaussianCopula:
    """Uniforms tied together so that their rank correlations are those of `rank_correlation`.

    A correlation of 1 or -1 makes two names one draw. Raises ValueError for a matrix of the wrong size, not
    symmetric, without a unit diagonal or with entries outside -1 to 1; NotPositiveDefinite where the entries
    contradict each other (an eigenvalue below 0; 0 itself is admitted).

    >>> import numpy as np
    >>> from distributions import GaussianCopula
    >>> copula = GaussianCopula(("gain", "zero"), np.array([[1.0, -0.5], [-0.5, 1.0]]))
    >>> copula.names
    ('gain', 'zero')
    """

    names: tuple[str, ...]
    rank_correlation: Array = field(compare=False)
    _key: tuple[float, ...] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        matrix = np.array(self.rank_correlation, dtype=np.float64)
        matrix.flags.writeable = False
        object.__setattr__(self, "names", tuple(self.names))
        object.__setattr__(self, "rank_correlation", matrix)
        # Arrays compare element by element; equality and hash go by this tuple of the same numbers.
        object.__setattr__(self, "_key", tuple(matrix.ravel().tolist()))
        n = len(self.names)
        if len(set(self.names)) != n:
            raise ValueError(f"each name must occur once (got {self.names!r})")
        if matrix.shape != (n, n):
            raise ValueError(f"{n} names need a {n} x {n} matrix (got shape {matrix.shape})")
        if not np.all(np.isfinite(matrix)) or not np.allclose(matrix, matrix.T, rtol=0.0, atol=1e-12):
            raise ValueError("a correlation matrix must be finite and symmetric")
        if not np.allclose(np.diag(matrix), 1.0, rtol=0.0, atol=1e-12):
            raise ValueError("a correlation matrix must have ones on its diagonal")
        off = matrix[~np.eye(n, dtype=bool)]
        if off.size and np.abs(off).max() > 1.0:
            raise ValueError("a correlation must lie between -1 and 1")
        normal = self.normal_correlation
        if float(np.linalg.eigvalsh(normal)[0]) < -_LEAST:
            bad = self._offenders(normal)
            nearest = rank_from_normal(nearest_correlation(normal[np.ix_(bad, bad)]))
            raise NotPositiveDefinite(tuple(self.names[i] for i in bad), nearest)

    @classmethod
    def from_normal_correlation(cls, names: tuple[str, ...], correlation: ArrayLike) -> GaussianCopula:
        """Copula of normal variables with this (Pearson) correlation."""
        return cls(names, rank_from_normal(correlation))

    @property
    def normal_correlation(self) -> Array:
        """Correlation of the underlying normal variables."""
        normal = normal_from_rank(self.rank_correlation)
        np.fill_diagonal(normal, 1.0)
        return normal

    @staticmethod
    def _offenders(normal: Array) -> list[int]:
        """Smallest leading set that fails, then reduced to those that are needed for the failure."""
        kept = list(range(len(normal)))
        for i in range(len(normal)):
            rest = [j for j in kept if j != i]
            if len(rest) > 1 and float(np.linalg.eigvalsh(normal[np.ix_(rest, rest)])[0]) < -_LEAST:
                kept = rest
        return kept

    @cached_property
    def root(self) -> Array:
        """Lower Cholesky factor of `normal_correlation`, (name, name); a name tied wholly repeats its row.

        Where the matrix is singular, pivots of 0 leave empty columns (Higham, Accuracy and Stability of Numerical
        Algorithms, 2nd edition, 10.3: a factor exists without exchanges).
        """
        normal = self.normal_correlation
        if float(np.linalg.eigvalsh(normal)[0]) > _LEAST:
            return np.asarray(np.linalg.cholesky(normal), dtype=np.float64)
        root = np.zeros_like(normal)
        for i, row in enumerate(normal):
            same = self._same[i]
            if same is not None:
                root[i] = same[1] * root[same[0]]
                continue
            for j in range(i):
                if root[j, j] > 0.0:
                    root[i, j] = (row[j] - root[i, :j] @ root[j, :j]) / root[j, j]
            pivot = 1.0 - float(root[i, :i] @ root[i, :i])
            root[i, i] = np.sqrt(pivot) if pivot > _LEAST else 0.0
        return root

    @cached_property
    def _same(self) -> tuple[tuple[int, float] | None, ...]:
        """The first name that each is tied to wholly, and the sign of the tie; None where there is none before it."""
        whole = [np.flatnonzero(np.abs(row[:i]) == 1.0) for i, row in enumerate(self.rank_correlation)]
        return tuple(
            (int(before[0]), float(self.rank_correlation[i, before[0]])) if before.size else None
            for i, before in enumerate(whole)
        )

    def apply(self, uniforms: Array) -> Array:
        """Dependent uniforms, shape (names, n), from independent ones of the same shape.

        The first name, and any other that does not depend on those before it, keeps its draws to the bit;
        each further one is mixed with those before it. A name tied wholly to one before it has that one's draws to
        the bit, or 1 less them. Raises ValueError for another number of rows.
        """
        if uniforms.ndim != 2 or len(uniforms) != len(self.names):
            raise ValueError(f"uniforms must have shape ({len(self.names)}, n) (got {uniforms.shape})")
        scores = ndtri(uniforms)
        dependent = np.array(uniforms, dtype=np.float64)
        for i, row in enumerate(self.root):
            same = self._same[i]
            if same is not None:
                first = dependent[same[0]]
                dependent[i] = (
                    first if same[1] > 0.0 else np.clip(1.0 - first, SMALLEST_UNIFORM, LARGEST_UNIFORM)
                )
                continue
            if not row[:i].any():
                continue
            # Term by term: neither a matrix product nor einsum rounds alike for any number of points.
            total = row[i] * scores[i]
            for j in range(i):
                total += row[j] * scores[j]
            dependent[i] = np.clip(ndtr(total), SMALLEST_UNIFORM, LARGEST_UNIFORM)
        return dependent
