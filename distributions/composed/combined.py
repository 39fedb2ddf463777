"""Distributions made of others: shifted and scaled, and mixtures."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar

import numpy as np

from distributions.distribution import LARGEST_UNIFORM, SMALLEST_UNIFORM, Distribution, FloatArray, Values
from distributions.validity import InvalidParameter, require_finite, require_positive


@dataclass(frozen=True)
class Shifted(Distribution):
    """location + scale * base, scale above 0."""

    base: Distribution
    location: float
    scale: float
    title: ClassVar[str] = "shifted"

    def __post_init__(self) -> None:
        require_finite("Shifted", location=self.location)
        require_positive("Shifted", scale=self.scale)

    def pdf(self, x: Values) -> FloatArray:
        return self.base.pdf((np.asarray(x) - self.location) / self.scale) / self.scale

    def cdf(self, x: Values) -> FloatArray:
        return self.base.cdf((np.asarray(x) - self.location) / self.scale)

    def ppf(self, u: Values) -> FloatArray:
        return self.location + self.scale * self.base.ppf(u)

    @property
    def mean(self) -> float:
        return self.location + self.scale * self.base.mean

    @property
    def sd(self) -> float:
        return self.scale * self.base.sd

    @property
    def support(self) -> tuple[float, float]:
        low, high = self.base.support
        return self.location + self.scale * low, self.location + self.scale * high

    @property
    def atoms(self) -> FloatArray:
        return self.location + self.scale * self.base.atoms

    @property
    def parameters_text(self) -> str:
        return self.base.title


_TABLE = 4097
_BISECTIONS = 60


@dataclass(frozen=True)
class Mixture(Distribution):
    """One of several distributions, chosen with the given weights (two suppliers with spreads of their own)."""

    components: tuple[Distribution, ...]
    weights: tuple[float, ...]
    title: ClassVar[str] = "mixture"

    def __post_init__(self) -> None:
        if not self.components:
            raise InvalidParameter("Mixture", "components", self.components, "one or more distributions")
        if len(self.weights) != len(self.components):
            raise InvalidParameter("Mixture", "weights", self.weights, f"{len(self.components)} numbers")
        if not all(math.isfinite(w) and w >= 0.0 for w in self.weights) or not sum(self.weights) > 0.0:
            raise InvalidParameter("Mixture", "weights", self.weights, "at least 0, and not all of them 0")

    @cached_property
    def _shares(self) -> tuple[float, ...]:
        total = sum(self.weights)
        return tuple(w / total for w in self.weights)

    def pdf(self, x: Values) -> FloatArray:
        parts = [w * c.pdf(x) for w, c in zip(self._shares, self.components, strict=True)]
        return np.asarray(sum(parts[1:], parts[0]))

    def cdf(self, x: Values) -> FloatArray:
        parts = [w * c.cdf(x) for w, c in zip(self._shares, self.components, strict=True)]
        return np.asarray(sum(parts[1:], parts[0]))

    @cached_property
    def _table(self) -> tuple[FloatArray, FloatArray]:
        """Quantiles of all components, merged, and their cumulative probability: brackets for the inverse."""
        u = np.linspace(0.0, 1.0, _TABLE)
        u[0], u[-1] = SMALLEST_UNIFORM, LARGEST_UNIFORM
        x = np.unique(np.concatenate([c.ppf(u) for c in self.components]))
        return x, np.maximum.accumulate(self.cdf(x))

    def ppf(self, u: Values) -> FloatArray:
        """Bracketed between neighbouring quantiles of the components, then bisected to rounding."""
        u = np.asarray(u, dtype=np.float64)
        x, cumulative = self._table
        place = np.clip(np.searchsorted(cumulative, u, side="left"), 1, x.size - 1)
        low, high = x[place - 1], x[place]
        # A value with probability of its own at the low end of the table is its own answer.
        high = np.where(cumulative[place - 1] >= u, low, high)
        for _ in range(_BISECTIONS):
            middle = 0.5 * (low + high)
            enough = self.cdf(middle) >= u
            high = np.where(enough, middle, high)
            low = np.where(enough, low, middle)
        return np.asarray(high)

    @property
    def mean(self) -> float:
        return sum(w * c.mean for w, c in zip(self._shares, self.components, strict=True))

    @property
    def sd(self) -> float:
        mean = self.mean
        squares = (c.sd**2 + (c.mean - mean) ** 2 for c in self.components)
        return math.sqrt(sum(w * s for w, s in zip(self._shares, squares, strict=True)))

    @property
    def support(self) -> tuple[float, float]:
        ends = [c.support for c, w in zip(self.components, self._shares, strict=True) if w > 0.0]
        return min(low for low, _ in ends), max(high for _, high in ends)

    @property
    def atoms(self) -> FloatArray:
        return np.unique(np.concatenate([c.atoms for c in self.components]))

    @property
    def parameters_text(self) -> str:
        return f"of {len(self.components)}"
