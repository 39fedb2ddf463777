"""Mixture of populations."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from distributions.distribution import (
    LARGEST_UNIFORM,
    SMALLEST_UNIFORM,
    Distribution,
    FloatArray,
    Values,
    as_floats,
    no_density,
)
from distributions.validity import InvalidParameter

_TABLE = 1025
_BISECTIONS = 64
_STEPS = 80
_ROUNDING = 4.0 * float(np.finfo(np.float64).eps)


@dataclass(frozen=True)
class Mixture(Distribution):
    """One of several distributions, chosen with the given weights, such as two suppliers.

    The inverse starts from a monotone table and is refined by Newton steps that give way to bisection where
    they would leave the bracket.

    >>> from distributions import Mixture, Normal
    >>> Mixture((Normal(0.0, 1.0), Normal(4.0, 1.0)), (0.5, 0.5)).mean
    2.0
    """

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

    @cached_property
    def _atoms(self) -> FloatArray:
        return np.unique(np.concatenate([component.atoms for component in self.components]))

    def _density(self, x: FloatArray) -> FloatArray:
        """Density of the components that have one."""
        total = np.zeros(x.shape)
        for share, component in zip(self._shares, self.components, strict=True):
            if not component.atoms.size:
                total += share * component.pdf(x)
        return total

    def pdf(self, x: Values) -> FloatArray:
        if self.atoms.size:
            raise no_density(self)
        return self._density(as_floats(x))

    def cdf(self, x: Values) -> FloatArray:
        total = np.zeros(np.shape(x))
        for share, component in zip(self._shares, self.components, strict=True):
            total += share * component.cdf(x)
        return np.minimum(total, 1.0)

    def _bracket(self, u: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Least and greatest quantile of the components: that of the mixture lies between."""
        quantiles = np.stack([component.ppf(u) for component in self.components])
        return quantiles.min(axis=0), quantiles.max(axis=0)

    @cached_property
    def _table(self) -> tuple[FloatArray, FloatArray]:
        """Probabilities, evenly spaced as normal scores, and the values that reach them."""
        u = np.clip(ndtr(np.linspace(-8.0, 8.0, _TABLE)), SMALLEST_UNIFORM, LARGEST_UNIFORM)
        low, high = self._bracket(u)
        for _ in range(_BISECTIONS):
            middle = 0.5 * (low + high)
            reached = self.cdf(middle) >= u
            low, high = np.where(reached, low, middle), np.where(reached, middle, high)
        return u, np.maximum.accumulate(high)

    def ppf(self, u: Values) -> FloatArray:
        wanted = as_floats(u)
        flat = wanted.ravel()
        x = np.empty(flat.shape)
        between = ~self._at_atoms(flat, x)
        x[between] = self._solve(flat[between])
        return x.reshape(wanted.shape)

    def _at_atoms(self, u: FloatArray, x: FloatArray) -> NDArray[np.bool_]:
        """Fill in `x` where `u` falls into the jump at an atom, and return where."""
        atoms = self.atoms
        if not atoms.size:
            return np.zeros(u.shape, dtype=np.bool_)
        up_to, below = self.cdf(atoms), self.cdf(np.nextafter(atoms, -np.inf))
        index = np.minimum(np.searchsorted(up_to, u, side="left"), atoms.size - 1)
        hit = (u > below[index]) & (u <= up_to[index])
        x[hit] = atoms[index[hit]]
        return hit

    def _start(self, u: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Bracket from the table, or from the components beyond its ends."""
        table_u, table_x = self._table
        index = np.searchsorted(table_u, u, side="left")
        beyond = (index == 0) | (index == table_u.size)
        index = np.clip(index, 1, table_u.size - 1)
        # Table values are right to rounding; a little slack keeps the root inside.
        slack = 1e-12 * (np.abs(table_x[index]) + np.abs(table_x[index - 1]))
        low, high = table_x[index - 1] - slack, table_x[index] + slack
        if beyond.any():
            low[beyond], high[beyond] = self._bracket(u[beyond])
        return low, high

    def _solve(self, u: FloatArray) -> FloatArray:
        """Root of cdf(x) = u by Newton's method inside a shrinking bracket."""
        low, high = self._start(u)
        x = 0.5 * (low + high)
        active = np.arange(u.size)
        for _ in range(_STEPS):
            if not active.size:
                break
            at = x[active]
            excess = self.cdf(at) - u[active]
            reached = excess >= 0.0
            lo, hi = np.where(reached, low[active], at), np.where(reached, at, high[active])
            density = self._density(at)
            ahead = at - excess / np.where(density > 0.0, density, np.inf)
            safe = (density > 0.0) & (ahead >= lo) & (ahead <= hi)
            ahead = np.where(safe, ahead, 0.5 * (lo + hi))
            x[active], low[active], high[active] = ahead, lo, hi
            small = _ROUNDING * np.abs(ahead)
            active = active[(np.abs(ahead - at) > small) & (hi - lo > small)]
        return x

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
        return self._atoms

    @property
    def parameters_text(self) -> str:
        return f"of {len(self.components)}"
