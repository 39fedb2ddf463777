"""Parameters that move together from unit to unit: correlation and its sampling distribution."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from margin.bench.errors import NotMeasurableError

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Correlation:
    """Pearson correlation of two parameters over units; the interval by Fisher's z.

    resolved  the interval leaves out 0
    """

    first: str
    second: str
    value: float
    low: float
    high: float
    units: int

    @property
    def resolved(self) -> bool:
        return self.low > 0 or self.high < 0


def correlation(
    first: Array, second: Array, names: tuple[str, str] = ("first", "second"), confidence: float = 0.95
) -> Correlation:
    """Correlation of two parameters of the same units, shapes (n,).

    Fisher's z: atanh(r) is near normal with standard deviation 1 / sqrt(n - 3). Raises NotMeasurableError for
    fewer than four units or a parameter that does not vary.
    """
    if first.size < 4:
        raise NotMeasurableError(
            f"the correlation of {names[0]} and {names[1]} needs four or more units (got {first.size})"
        )
    x, y = first - first.mean(), second - second.mean()
    scale = float(np.sqrt((x @ x) * (y @ y)))
    if scale == 0:
        raise NotMeasurableError(f"{names[0]} or {names[1]} is the same in all units: no correlation")
    r = float(np.clip(x @ y / scale, -1.0, 1.0))
    half = float(stats.norm.ppf((1 + confidence) / 2)) / np.sqrt(first.size - 3)
    if abs(r) == 1.0:
        return Correlation(*names, r, r, r, int(first.size))
    centre = np.arctanh(r)
    return Correlation(
        *names, r, float(np.tanh(centre - half)), float(np.tanh(centre + half)), int(first.size)
    )


@dataclass(frozen=True)
class Between:
    """Means and covariance of parameters between units, scatter within units taken off.

    mean        (p,)
    covariance  (p, p), positive semidefinite
    within      (p, p), covariance of repeated values within a unit
    units       how many
    clipped     a negative eigenvalue was set to zero: the spread is below the scatter in some direction
    """

    names: tuple[str, ...]
    mean: Array
    covariance: Array
    within: Array
    units: int
    clipped: bool

    @property
    def correlations(self) -> Array:
        """(p, p); 0 beside a parameter without spread."""
        sd = np.sqrt(np.diag(self.covariance))
        scale = np.outer(sd, sd)
        result = np.where(scale > 0, self.covariance / np.where(scale > 0, scale, 1.0), 0.0)
        np.fill_diagonal(result, 1.0)
        return result


def between_units(values: Array, unit: Any, names: tuple[str, ...]) -> Between:
    """Multivariate one-way analysis of variance: covariance between = (MS_units - MS_within) / m.

    values  (n, p), parameters of repeated cycles
    unit    (n,), label of the unit; m is n0 = (n - sum n_u^2 / n) / (units - 1) for unlike counts

    One value a unit leaves nothing to take off: `within` is then 0. Raises NotMeasurableError for one unit.
    """
    codes, found = pd.factorize(np.asarray(unit))
    units = len(found)
    if units < 2:
        raise NotMeasurableError(
            "spread between units needs two or more units (got 1)", "measure more sensors"
        )
    sizes = np.bincount(codes).astype(float)
    means = np.stack([np.bincount(codes, column) for column in values.T], axis=1) / sizes[:, None]
    inner = values - means[codes]
    grand = values.mean(axis=0)
    outer = means - grand
    mean_square = (outer * sizes[:, None]).T @ outer / (units - 1)
    dof = values.shape[0] - units
    within = inner.T @ inner / dof if dof else np.zeros((values.shape[1], values.shape[1]))
    count = (values.shape[0] - sizes @ sizes / values.shape[0]) / (units - 1)
    raw = (mean_square - within) / count
    roots, axes = np.linalg.eigh(raw)
    clipped = bool(roots.min() < -1e-12 * max(abs(roots).max(), 1e-300))
    covariance = (axes * np.maximum(roots, 0.0)) @ axes.T
    return Between(names, means.mean(axis=0), covariance, within, units, clipped)


def sampling_draws(values: Array, draws: int, rng: np.random.Generator) -> tuple[Array, Array]:
    """What other means and covariances the same units could stand for.

    values  (n, p), one row a unit
    Returns means (draws, p) and covariances (draws, p, p): covariance ~ inverse Wishart(n - 1, (n - 1) S),
    mean | covariance ~ N(sample mean, covariance / n), the multivariate form of the Student t predictive
    (Jeffreys prior; Gelman et al., Bayesian Data Analysis, 3.6). Raises NotMeasurableError for n <= p.
    """
    count, size = values.shape
    if count <= size:
        raise NotMeasurableError(
            f"{size} parameters that move together need more than {size} units (got {count})", "measure more"
        )
    mean = values.mean(axis=0)
    inner = values - mean
    scatter = inner.T @ inner
    covariances = stats.invwishart.rvs(count - 1, scatter, size=draws, random_state=rng)
    covariances = covariances.reshape(draws, size, size)
    factors = np.linalg.cholesky(covariances)
    normal = rng.standard_normal((draws, size, 1))
    means = mean + (factors @ normal)[..., 0] / np.sqrt(count)
    return means, covariances
