"""Least squares of any curve, from good starting values or poor ones."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats

from margin.bench.errors import NotMeasurableError

Array = NDArray[np.float64]
Function = Callable[[Array, Array], Array]
"""(x, parameters (p,)) -> y, shape of x."""

FAR = 1e150
"""Residual where the function has no finite value: far enough to be left at once."""

RESTARTS = 40


@dataclass(frozen=True)
class CurveFit:
    """A fitted curve.

    names, parameters, standard_errors   p each; units as of the function
    covariance   (p, p)
    fitted, residuals  (n,), curve and y - curve
    rss          sum of weighted squared residuals
    sd           sqrt(rss / dof), residual standard deviation (of unit weight)
    dof          n - p
    weights      (n,)
    notes        what to know: a parameter at its limit, parameters that cannot be told apart
    counts       (n,), readings that each value is the mean of; None: one each
    inside       part of rss that is the scatter of readings inside the means
    """

    names: tuple[str, ...]
    parameters: Array
    standard_errors: Array
    covariance: Array
    fitted: Array
    residuals: Array
    rss: float
    sd: float
    dof: int
    weights: Array
    notes: tuple[str, ...] = ()
    counts: Array | None = None
    inside: float = 0.0

    @property
    def readings(self) -> Array:
        """Readings that each value is the mean of, (n,)."""
        return np.ones_like(self.fitted) if self.counts is None else self.counts

    def __getitem__(self, name: str) -> float:
        return float(self.parameters[self.names.index(name)])

    def standard_error(self, name: str) -> float:
        return float(self.standard_errors[self.names.index(name)])

    def interval(self, name: str, confidence: float = 0.95) -> tuple[float, float]:
        """Student t interval of a parameter from its standard error."""
        half = float(stats.t.ppf((1 + confidence) / 2, self.dof)) * self.standard_error(name)
        return self[name] - half, self[name] + half


def fit_curve(
    function: Function,
    x: Array,
    y: Array,
    start: Sequence[float],
    weights: Array | None = None,
    *,
    names: Sequence[str] | None = None,
    lower: Sequence[float] | None = None,
    upper: Sequence[float] | None = None,
    starts: int = RESTARTS,
    seed: int = 1,
) -> CurveFit:
    """Weighted least squares of y = function(x, parameters).

    function  called with x and parameters (p,)
    x, y      (n,), finite
    start     (p,), starting values; only their order of magnitude matters
    weights   (n,), 1 / variance up to a common factor; None: equal
    names     of the parameters; default b1, b2 ...
    lower, upper  limits of the parameters
    starts    how many starts are tried at most; 0: the given one is only refined
    seed      of the further starts

    Each start is tried in parameters scaled by their own size with Levenberg and Marquardt's method and with
    a trust region; then from starts scattered over four decades of that size. The best minimum is refined
    with central differences. Covariance: sd^2 (J' W J)^-1 (NIST Statistical Reference Datasets, nonlinear
    regression). Raises NotMeasurableError for n <= p, ValueError for values that are not finite or where no
    start gives a finite curve.
    """
    x, y, first = np.asarray(x, dtype=float), np.asarray(y, dtype=float), np.asarray(start, dtype=float)
    labels = tuple(names) if names is not None else tuple(f"b{i + 1}" for i in range(first.size))
    if y.size <= first.size:
        why = f"{first.size} parameters need more than {first.size} readings (got {y.size})"
        raise NotMeasurableError(why, "measure more loads, or fit a simpler model")
    weight = np.ones_like(y) if weights is None else np.asarray(weights, dtype=float)
    if not (
        np.isfinite(x).all() and np.isfinite(y).all() and np.isfinite(weight).all() and (weight > 0).all()
    ):
        raise ValueError(
            "x, y and weights must be finite and the weights above zero: leave such readings out"
        )
    low = np.full(first.size, -np.inf) if lower is None else np.asarray(lower, dtype=float)
    high = np.full(first.size, np.inf) if upper is None else np.asarray(upper, dtype=float)
    root = np.sqrt(weight)

    def residual(parameters: Array) -> Array:
        with np.errstate(all="ignore"):
            rest = root * (function(x, parameters) - y)
        return np.where(np.isfinite(rest), np.clip(rest, -FAR, FAR), FAR)

    best = _search(residual, first, low, high, seed, starts) if starts else np.clip(first, low, high)
    if best is None:
        raise ValueError(
            f"the curve has no finite value at the starting values {first.tolist()}: choose others"
        )
    best = _refine(residual, best, low, high)
    return _conclude(function, x, y, weight, best, low, high, labels)


def _search(
    residual: Callable[[Array], Array], start: Array, low: Array, high: Array, seed: int, attempts: int
) -> Array | None:
    """Best of several methods and starts; further starts end when the lowest minimum was met three times."""
    rng = np.random.default_rng(seed)
    size = np.where(start == 0, 1.0, np.abs(start))
    best: Array | None = None
    least, met = np.inf, 0
    for attempt in range(attempts):
        trial = start
        if attempt:
            trial = start * 10 ** rng.uniform(-3, 1, start.size)
            trial = np.where(start == 0, size * rng.normal(size=start.size), trial)
        trial = np.clip(trial, low, high)
        for solution in _solve(residual, trial, low, high):
            value = float(np.sum(residual(solution) ** 2))
            if value < least * (1 - 1e-6):
                best, least, met = solution, value, 1
            elif value <= least * (1 + 1e-4) + 1e-300:
                met += 1
        if best is not None and met >= 3 and attempt >= 1:
            break
    return best


def _solve(residual: Callable[[Array], Array], trial: Array, low: Array, high: Array) -> list[Array]:
    if not np.all(np.abs(residual(trial)) < FAR):
        return []
    scale = np.where(trial == 0, 1.0, np.abs(trial))
    free = bool(np.isinf(low).all() and np.isinf(high).all())
    found = []

    def scaled(p: Array) -> Array:
        return residual(p * scale)

    for method in ("lm", "trf") if free else ("trf", "dogbox"):
        with np.errstate(all="ignore"):
            try:
                result = optimize.least_squares(
                    scaled,
                    _inside(trial, low, high) / scale,
                    method=method,
                    bounds=(low / scale, high / scale),
                    x_scale="jac" if method == "lm" else 1.0,
                    max_nfev=200 * trial.size,
                )
            except (ValueError, np.linalg.LinAlgError):
                continue
        if np.isfinite(result.x).all():
            found.append(np.asarray(result.x * scale, dtype=float))
    return found


def _inside(trial: Array, low: Array, high: Array) -> Array:
    """Starting values moved off their limits, where the trust region cannot start."""
    room = np.where(np.isfinite(high - low), high - low, np.maximum(np.abs(trial), 1e-12))
    return np.clip(trial, low + 1e-6 * room, high - 1e-6 * room)


def _refine(residual: Callable[[Array], Array], best: Array, low: Array, high: Array) -> Array:
    """Levenberg and Marquardt steps with central differences on the parameters that are off their limits."""
    free = ~_at_limit(best, low, high)
    if not free.any():
        return best
    scale = np.where(best == 0, 1.0, np.abs(best))[free]

    def place(p: Array) -> Array:
        full = best.copy()
        full[free] = p * scale
        return full

    def moved(p: Array) -> Array:
        return residual(place(p))

    def slopes(p: Array) -> Array:
        return jacobian(moved, p)

    result = optimize.least_squares(
        moved,
        best[free] / scale,
        jac=slopes,
        method="lm",
        xtol=1e-15,
        ftol=1e-15,
        gtol=1e-15,
        max_nfev=500,
    )
    refined = place(np.asarray(result.x, dtype=float))
    inside = bool(np.all(refined >= low) and np.all(refined <= high))
    better = np.sum(residual(refined) ** 2) <= np.sum(residual(best) ** 2)
    return refined if inside and better else best


def jacobian(function: Callable[[Array], Array], at: Array) -> Array:
    """Derivatives of function (p,) -> (n,), shape (n, p), by central differences of relative step 6e-6."""
    steps = np.cbrt(np.finfo(float).eps) * np.where(at == 0, 1.0, np.abs(at))
    columns = []
    for i, step in enumerate(steps):
        up, down = at.copy(), at.copy()
        up[i] += step
        down[i] -= step
        columns.append((function(up) - function(down)) / (up[i] - down[i]))
    return np.stack(columns, axis=1)


def _at_limit(parameters: Array, low: Array, high: Array) -> NDArray[np.bool_]:
    scale = np.maximum(np.abs(parameters), 1e-300)
    room = np.where(np.isfinite(high - low), high - low, scale)
    result: NDArray[np.bool_] = (parameters - low <= 2e-6 * room) | (high - parameters <= 2e-6 * room)
    return result


def _conclude(
    function: Function,
    x: Array,
    y: Array,
    weight: Array,
    best: Array,
    low: Array,
    high: Array,
    names: tuple[str, ...],
) -> CurveFit:
    with np.errstate(all="ignore"):
        fitted = function(x, best)
        slopes = np.sqrt(weight)[:, None] * jacobian(lambda p: function(x, p), best)
    residuals = y - fitted
    rss = float(weight @ residuals**2)
    dof = y.size - best.size
    notes = []
    held = _at_limit(best, low, high)
    notes += [f"{name} is at its limit: no standard error" for name in np.array(names)[held]]
    covariance = np.zeros((best.size, best.size))
    free = np.flatnonzero(~held)
    if free.size:
        lengths = np.linalg.norm(slopes[:, free], axis=0)
        used = np.where(lengths > 0, lengths, 1.0)
        roots, axes = np.linalg.svd(slopes[:, free] / used, full_matrices=False)[1:]
        if roots[-1] < 1e-8 * roots[0]:
            notes.append("some parameters cannot be separated at these loads")
        inverse = (axes.T / np.maximum(roots, 1e-300) ** 2) @ axes
        covariance[np.ix_(free, free)] = rss / dof * inverse / np.outer(used, used)
    errors = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    errors[held] = np.nan
    return CurveFit(
        names,
        best,
        errors,
        covariance,
        fitted,
        residuals,
        rss,
        float(np.sqrt(rss / dof)),
        dof,
        weight,
        tuple(notes),
    )


@dataclass(frozen=True)
class Means:
    """Readings behind fitted means.

    counts   (n,), readings that each value is the mean of
    squares  (n,), sum of squared deviations of these readings from it
    """

    counts: Array
    squares: Array


def of_means(fit: CurveFit, means: Means) -> CurveFit:
    """The fit of all readings, from that of their means with weights in proportion to their counts.

    sum over readings of w (y - f)^2 = sum over means of n w (mean - f)^2 + w squares: the parameters are the
    same, residual variance and covariance have the degrees of freedom of the readings.
    """
    inside = float(fit.weights / means.counts @ means.squares)
    rss, dof = fit.rss + inside, round(float(means.counts.sum())) - len(fit.names)
    scale = rss / dof / (fit.rss / fit.dof) if fit.rss > 0 else 1.0
    return dataclasses.replace(
        fit,
        rss=rss,
        dof=dof,
        sd=float(np.sqrt(rss / dof)),
        covariance=fit.covariance * scale,
        standard_errors=fit.standard_errors * np.sqrt(scale),
        counts=means.counts,
        inside=inside,
    )
