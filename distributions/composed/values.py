"""Distributions over listed values: discrete with weights, and what was measured."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar

import numpy as np

from distributions.distribution import Distribution, FloatArray, Values, as_floats, no_density
from distributions.validity import InvalidParameter


class _Steps(Distribution):
    """Values with probabilities of their own; the inverse is a step function."""

    @property
    def _table(self) -> tuple[FloatArray, FloatArray]:
        """Values, ascending, and their probabilities."""
        raise NotImplementedError

    @cached_property
    def _cumulative(self) -> FloatArray:
        total = np.cumsum(self._table[1])
        total[-1] = 1.0
        return total

    def pdf(self, x: Values) -> FloatArray:
        raise no_density(self)

    def cdf(self, x: Values) -> FloatArray:
        place = np.searchsorted(self._table[0], as_floats(x), side="right")
        return np.concatenate([[0.0], self._cumulative])[place]

    def ppf(self, u: Values) -> FloatArray:
        values = self._table[0]
        place = np.searchsorted(self._cumulative, as_floats(u), side="left")
        return values[np.minimum(place, values.size - 1)]

    @property
    def mean(self) -> float:
        values, weights = self._table
        return float(np.sum(values * weights))

    @property
    def sd(self) -> float:
        values, weights = self._table
        return math.sqrt(float(np.sum(weights * (values - self.mean) ** 2)))

    @property
    def support(self) -> tuple[float, float]:
        values = self._table[0]
        return float(values[0]), float(values[-1])

    @property
    def atoms(self) -> FloatArray:
        return self._table[0]


@dataclass(frozen=True)
class Discrete(_Steps):
    """Listed values with weights (two suppliers, a choice of range); weights need not sum to 1.

    >>> from distributions import Discrete
    >>> Discrete((1.0, 2.0), (3.0, 1.0)).mean
    1.25
    """

    values: tuple[float, ...]
    weights: tuple[float, ...]
    title: ClassVar[str] = "discrete"

    def __post_init__(self) -> None:
        if not self.values or not all(math.isfinite(v) for v in self.values):
            raise InvalidParameter("Discrete", "values", self.values, "one or more finite numbers")
        if len(self.weights) != len(self.values):
            raise InvalidParameter("Discrete", "weights", self.weights, f"{len(self.values)} numbers")
        if not all(math.isfinite(w) and w >= 0.0 for w in self.weights) or not sum(self.weights) > 0.0:
            raise InvalidParameter("Discrete", "weights", self.weights, "at least 0, and not all of them 0")

    @cached_property
    def _table(self) -> tuple[FloatArray, FloatArray]:
        order = np.argsort(self.values, kind="stable")
        weights = np.asarray(self.weights, dtype=np.float64)[order]
        values = np.asarray(self.values, dtype=np.float64)[order]
        kept = weights > 0.0
        return values[kept], weights[kept] / weights.sum()

    @property
    def parameters_text(self) -> str:
        return f"{len(self.values)} values"


@dataclass(frozen=True)
class Empirical(_Steps):
    """What was measured, each value as likely as any other (JCGM 101, 5.11.2 draws with replacement).

    >>> from distributions import Empirical
    >>> Empirical((1.0, 2.0, 6.0)).mean
    3.0
    """

    values: tuple[float, ...]
    title: ClassVar[str] = "empirical"

    def __post_init__(self) -> None:
        if not self.values or not all(math.isfinite(v) for v in self.values):
            raise InvalidParameter("Empirical", "values", self.values, "one or more finite numbers")

    @cached_property
    def _table(self) -> tuple[FloatArray, FloatArray]:
        values = np.sort(np.asarray(self.values, dtype=np.float64))
        return values, np.full(values.size, 1.0 / values.size)

    @property
    def parameters_text(self) -> str:
        return f"{len(self.values)} measured values"
