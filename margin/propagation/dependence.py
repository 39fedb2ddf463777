"""Factors that are drawn together: which, with what copula, and on how many units they were measured."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from distributions import GaussianCopula, correlation_matrix
from margin.case.types import Dependence
from margin.propagation.factors import Factor

Array = NDArray[np.float64]

_ONE = 1.0 - 1e-9
"""Correlation of normal scores from which two factors are one draw."""


@dataclass(frozen=True)
class DependentGroup:
    """Factors of one level drawn together through a Gaussian copula.

    measured_on  units on which all of them, normal then, were measured together: their means and covariance
                 are uncertain as a whole; None where the correlations are taken as known
    """

    factors: tuple[Factor, ...]
    copula: GaussianCopula
    measured_on: int | None = None

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(f.name for f in self.factors)

    @property
    def one_draw(self) -> tuple[tuple[int, int, float], ...]:
        """Pairs of factors tied by 1 or -1, as (earlier, later, sign); none where they were measured on few units,
        whose means and standard deviations have draws of their own."""
        normal = self.copula.normal_correlation
        return tuple(
            (i, j, float(np.sign(normal[i, j])))
            for i, j in itertools.combinations(range(len(self.factors)), 2)
            if self.measured_on is None and abs(normal[i, j]) >= _ONE
        )

    @cached_property
    def root(self) -> Array:
        """Lower Cholesky factor of the covariance as stated, shape (factors, factors)."""
        sds = np.array([f.distribution.sd for f in self.factors])
        result: Array = sds[:, None] * self.copula.root
        return result


def dependent_groups(
    factors: tuple[Factor, ...], dependences: tuple[Dependence, ...]
) -> tuple[DependentGroup, ...]:
    """Sets of factors tied by rank correlations, each with its copula.

    A tie holds in every condition of use, between what is drawn there of the two quantities. What is tied by 1 or
    -1 is one draw, and shares its further ties.

    Raises NotPositiveDefinite where the stated correlations cannot all hold, ValueError where ties of one set
    rest on different numbers of units.
    """
    pairs: list[tuple[str, str, float]] = []
    measured: dict[str, set[int | None]] = {}
    by_name = {f.name: f for f in factors}
    for tie in dependences:
        firsts = _at_level(factors, tie.first, tie.level)
        seconds = _at_level(factors, tie.second, tie.level)
        for condition in dict.fromkeys(factor.condition for factor in factors):
            first, second = _drawn_in(firsts, condition), _drawn_in(seconds, condition)
            if first is None or second is None:
                continue
            pairs.append((first.name, second.name, tie.rank_correlation))
            measured.setdefault(first.name, set()).add(tie.measured_on)
            measured.setdefault(second.name, set()).add(tie.measured_on)
    clusters: list[list[str]] = []
    for first_name, second_name, _ in pairs:
        touching = [c for c in clusters if first_name in c or second_name in c]
        merged = [n for c in touching for n in c]
        merged += [n for n in (first_name, second_name) if n not in merged]
        clusters = [c for c in clusters if c not in touching] + [merged]
    groups: list[DependentGroup] = []
    for cluster in clusters:
        matrix = correlation_matrix(cluster, [pair for pair in pairs if pair[0] in cluster])
        _tie_what_never_meets(matrix, [by_name[name] for name in cluster])
        counts = set().union(*(measured[n] for n in cluster))
        if len(counts) > 1:
            raise ValueError(
                f"dependence: ties among {', '.join(cluster)} rest on different numbers of units"
            )
        copula = GaussianCopula(tuple(cluster), matrix)
        groups.append(DependentGroup(tuple(by_name[n] for n in cluster), copula, counts.pop()))
    return tuple(groups)


def _at_level(factors: tuple[Factor, ...], quantity: str, level: str) -> dict[str | None, Factor]:
    """The factor of a quantity at a level, by the condition of use that has it for itself."""
    found: dict[str | None, Factor] = {}
    for factor in factors:
        if factor.quantity == quantity and factor.level == level:
            found.setdefault(factor.condition, factor)
    if not found:
        raise ValueError(f"dependence: {quantity!r} has no spread at level {level!r}")
    return found


def _drawn_in(found: Mapping[str | None, Factor], condition: str | None) -> Factor | None:
    return found.get(condition, found.get(None))


def _tie_what_never_meets(matrix: Array, factors: list[Factor]) -> None:
    """Correlate factors of different conditions of use as what they share with a third makes them.

    No reading has both; left uncorrelated, two strong ties to one factor could not hold together.
    """
    for (i, first), (j, second) in itertools.combinations(enumerate(factors), 2):
        apart = first.condition != second.condition and None not in (first.condition, second.condition)
        if apart or first.quantity == second.quantity:
            matrix[i, j] = matrix[j, i] = max(matrix[i] * matrix[j], key=abs)
