"""Reload scatter of a sensor over the load: its size, how it changes with the load, and how well both are known.

From load cycles repeated within a mounting or, where no mounting has two, from residuals about each cycle's curve.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import optimize, stats

from margin.bench.components import UnitScatter, scatter_of_variances
from margin.bench.errors import NotMeasurableError
from margin.bench.merits.merit import sd_interval
from margin.bench.reload_evidence import Evidence, cycles_of, repeated, residuals
from margin.bench.spreads import Kind

Array = NDArray[np.float64]
Source = Literal["repeated cycles", "residuals"]

SHAPES: dict[Kind, Array] = {
    "thin film": np.linspace(-2.0, 2.0, 81),
    "strain-gauge bridge": np.linspace(0.0, 1.0, 81),
}
"""Values that are tried: exponent of a thin film's scatter; share of a bridge's variance at full load that is of the
span, not of the zero."""

ROUNDING = 1e-9
"""Relative scatter below which readings agree."""

STEP = 1e-3
"""Of the shape, for differences."""

FINEST = 0.01
"""Least half-width of the interval of a shape: deviations that move together wholly would tell it exactly."""


@dataclass(frozen=True)
class LoadScatter:
    """Standard deviation from placement to placement, s(F).

    thin film            s(F) = size (F / anchor)^shape, relative
    strain-gauge bridge  s(F)^2 = size^2 (1 - shape + shape (F / anchor)^2), of the output at the anchor

    anchor      N, reference load of a thin film, largest load of a bridge
    size        0 where readings agree to the last digit
    low, high   interval of `size`; dof: its effective degrees of freedom
    shape       estimate with its interval; `resolved`: the interval leaves out the constant scatter (0)
    free        size with the estimated shape, whether it is resolved or not
    covariance  (2, 2), of ln free^2 and shape
    source      'residuals' contain the lack of fit of the curve and are an upper estimate
    by_load     one row a load: load_N, sd, dof
    by_sensor   how the size differs between sensors; None where fewer than two show it
    """

    kind: Kind
    anchor: float
    size: float
    low: float
    high: float
    dof: float
    shape: float
    shape_low: float
    shape_high: float
    resolved: bool
    free: float
    covariance: Array
    source: Source
    confidence: float
    by_load: pd.DataFrame
    by_sensor: UnitScatter | None

    def at(self, load: Array) -> Array:
        """Standard deviation at loads, N, by the law that is written: constant where no change is resolved."""
        shape = self.shape if self.resolved else 0.0
        result: Array = (
            self.size * np.exp(0.5 * logarithm(self.kind, load, self.anchor, np.array([shape])))[0]
        )
        return result

    def interval(self, load: Array) -> tuple[Array, Array]:
        """Interval of s at loads, N, whether or not a change with the load is resolved.

        Chi-square, with the degrees of freedom that the variance of ln s^2 of the free fit is worth.
        """
        load = np.asarray(load, dtype=float)
        shape = np.array([self.shape])
        sds = self.free * np.exp(0.5 * logarithm(self.kind, load, self.anchor, shape))[0]
        slopes = np.stack([np.ones(load.size), _slope(self.kind, load, self.anchor, self.shape)])
        variance = np.einsum("il,ij,jl->l", slopes, self.covariance, slopes)
        ends = [
            sd_interval(float(sd), max(2.0 / float(v), 1.0), self.confidence)
            for sd, v in zip(sds, variance, strict=True)
        ]
        low, high = np.array(ends).T
        return low, high

    @property
    def shape_sd(self) -> float:
        """Standard error of the shape."""
        return float(np.sqrt(max(self.covariance[1, 1], 0.0)))


def _slope(kind: Kind, load: Array, anchor: float, shape: float) -> Array:
    """d ln variance / d shape at each load."""
    first, last = float(SHAPES[kind][0]), float(SHAPES[kind][-1])
    ends = np.array([max(shape - STEP, first), min(shape + STEP, last)])
    logs = logarithm(kind, load, anchor, ends)
    slope = np.nan_to_num((logs[1] - logs[0]) / (ends[1] - ends[0]), posinf=1e6, neginf=-1e6)
    return np.asarray(slope, dtype=float)


def logarithm(kind: Kind, load: Array, anchor: float, shape: Array) -> Array:
    """ln of the variance at each load relative to size^2, (shape, load)."""
    share = np.asarray(load, dtype=float) / anchor
    with np.errstate(divide="ignore"):
        if kind == "thin film":
            return np.asarray(2.0 * shape[:, None] * np.log(share))
        return np.asarray(np.log(1.0 - shape[:, None] + shape[:, None] * share**2))


def reload_scatter(
    net: pd.DataFrame, kind: Kind, anchor: float, *, zero_sd: float = 0.0, confidence: float = 0.95
) -> LoadScatter:
    """Fit the scatter of ascending readings from cycle to cycle of one mounting.

    net      readings less their zero, at load points, at one temperature
    anchor   N, see `LoadScatter`
    zero_sd  S, scatter of a thin film's unloaded output from cycle to cycle, which is a quantity of its own

    Variances at the loads are fitted by gamma quasi-likelihood, which for independent normal deviations is the
    restricted likelihood; the deviations of one cycle move together, so that its information is corrected by their
    correlation: cov(s_i^2, s_j^2) = 2 cov_ij^2 / nu (Wishart). Residuals of single cycles are fitted by
    restricted likelihood about each cycle's own curve. Raises NotMeasurableError where nothing shows the scatter.
    """
    cycles = cycles_of(net, kind, anchor, zero_sd)
    found = repeated(cycles)
    if found is not None:
        return _fitted(found, kind, anchor, "repeated cycles", confidence)
    return _fitted(residuals(cycles, kind, anchor), kind, anchor, "residuals", confidence)


def _fitted(found: Evidence, kind: Kind, anchor: float, source: Source, confidence: float) -> LoadScatter:
    total = float(found.dof.sum())

    def parts(shape: float) -> tuple[float, float]:
        """ln size^2 and deviance at a shape."""
        squares, terms = found.variance(logarithm(kind, found.loads, anchor, np.array([shape]))[0])
        size = np.log(max(float(squares.sum()) / total, ROUNDING**2))
        return size, total * size + terms

    by_load = pd.DataFrame(
        {
            "load_N": found.loads,
            "sd": np.sqrt(np.maximum(found.squares, 0.0) / np.maximum(found.at_load, 1e-9)),
            "dof": found.at_load,
        }
    )
    if parts(0.0)[0] <= 2.0 * np.log(ROUNDING):
        return LoadScatter(
            kind, anchor, 0.0, 0.0, 0.0, total, 0.0, 0.0, 0.0, False, 0.0, np.diag([2.0 / total, 0.0]), source,
            confidence, by_load, None,
        )  # fmt: skip
    shapes = SHAPES[kind]
    if kind != "thin film" and found.loads.min() <= 0:
        shapes = shapes[:-1]  # without any scatter of the zero there is none without load
    deviances = np.array([parts(float(shape))[1] for shape in shapes])
    best = int(np.argmin(deviances))
    around = (shapes[max(best - 1, 0)], shapes[min(best + 1, shapes.size - 1)])
    shape = float(optimize.minimize_scalar(lambda p: parts(p)[1], bounds=around, method="bounded").x)
    if parts(shape)[1] > deviances[best]:
        shape = float(shapes[best])
    wide, covariance = _errors(found, kind, anchor, shape)
    if source == "residuals":
        covariance = _by_profile(parts, total, shape, shapes)
    freedom = 2.0 / covariance[0, 0]
    # few cycles know a ratio of variances less well than a normal variable tells
    limit = float(stats.t.ppf((1 + confidence) / 2, max(freedom / 2.0, 1.0))) ** 2
    low, high = _ends(lambda p: parts(p)[1], shapes, shape, parts(shape)[1] + limit * wide)
    measurable = np.unique(found.loads[found.at_load > 0.5]).size > 1
    resolved = bool(measurable and (low > 0.0 or high < 0.0))
    alone = covariance if resolved else _errors(found, kind, anchor, None)[1]
    freedom = max(2.0 / float(alone[0, 0]), 1.0)
    used = shape if resolved else 0.0
    size = float(np.exp(0.5 * parts(used)[0]))
    squares, _ = found.variance(logarithm(kind, found.loads, anchor, np.array([used]))[0])
    share = freedom / total
    by_sensor: UnitScatter | None = None
    try:
        kept = found.dof > 0
        variances = squares[kept] / found.dof[kept]
        by_sensor = scatter_of_variances(variances, found.dof[kept] * share, found.names[kept], confidence)
    except NotMeasurableError:
        pass
    return LoadScatter(
        kind, anchor, size, *sd_interval(size, freedom, confidence), freedom, shape, float(low), float(high), resolved,
        float(np.exp(0.5 * parts(shape)[0])), covariance, source, confidence, by_load, by_sensor,
    )  # fmt: skip


def _ends(
    deviance: Callable[[float], float], shapes: Array, shape: float, ceiling: float
) -> tuple[float, float]:
    """Where the deviance reaches its ceiling below and above the shape; the ends of what is tried where it does not."""
    low, high = (
        end
        if deviance(end) <= ceiling
        else float(optimize.brentq(lambda p: deviance(p) - ceiling, shape, end))
        for end in (float(shapes[0]), float(shapes[-1]))
    )
    return min(low, shape - FINEST), max(high, shape + FINEST)


def _by_profile(
    parts: Callable[[float], tuple[float, float]], total: float, shape: float, shapes: Array
) -> Array:
    """Covariance of ln size^2 and shape by the curvature of the deviance, for independent deviations."""
    step = 0.02
    middle = float(np.clip(shape, shapes[0] + step, shapes[-1] - step))
    (below, first), (_, centre), (above, last) = (parts(middle + each) for each in (-step, 0.0, step))
    curvature = (first - 2.0 * centre + last) / step**2
    of_shape = 2.0 / max(curvature, 1e-3)
    slope = (above - below) / (2.0 * step)
    return np.array([[2.0 / total + slope**2 * of_shape, slope * of_shape], [slope * of_shape, of_shape]])


def _errors(found: Evidence, kind: Kind, anchor: float, shape: float | None) -> tuple[float, Array]:
    """What a difference of deviances is multiplied by, and the covariance of ln size^2 and shape; None: no shape.

    Sandwich of the quasi-score with J = d ln variance / d (ln size^2, shape):
    (J'NJ)^-1 J'N C N J (J'NJ)^-1, N the degrees of freedom at the loads (White, Econometrica 50, 1982, 1).
    """
    weight = found.at_load
    columns = [np.ones(found.loads.size)]
    if shape is not None:
        columns.append(_slope(kind, found.loads, anchor, shape))
    slopes = np.stack(columns, axis=1)
    inverse = np.linalg.pinv(slopes.T @ (weight[:, None] * slopes))
    scores = slopes * weight[:, None]
    covariance = inverse @ (scores.T @ found.spread @ scores) @ inverse
    if shape is None:
        return 1.0, covariance
    plain = 2.0 * float(inverse[1, 1])
    return max(float(covariance[1, 1]) / plain, 1e-6) if plain > 0 else 1.0, covariance
