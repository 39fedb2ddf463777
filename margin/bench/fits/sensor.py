"""Fitting a sensor: candidate models in its proper domain, the reference's uncertainty, the choice."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import optimize

from margin.bench.data.counted import counted
from margin.bench.data.points import load_points
from margin.bench.errors import Lack, NotMeasurableError
from margin.bench.fits.curve import CurveFit, Means, fit_curve, jacobian, of_means
from margin.bench.fits.judge import LackOfFit, aicc, lack_of_fit
from margin.bench.fits.models import POLYNOMIALS, THIN_FILM_MODELS, ThinFilmModel
from margin.bench.fits.polynomial import fit_polynomial
from margin.chain.sensors import StrainGaugeBridge, ThinFilm

Array = NDArray[np.float64]
Kind = Literal["thin film", "strain-gauge bridge"]

ROUNDS = 4
"""Rounds in which the scatter of the output and the weights that follow from it settle."""


@dataclass(frozen=True)
class ReferenceLoad:
    """Standard uncertainty of the reference load cell of the bench.

    scatter  N, independent from reading to reading
    gain     relative, the same in all readings: it does not average out
    """

    scatter: float = 0.0
    gain: float = 0.0


@dataclass(frozen=True)
class SensorFit:
    """One candidate model fitted to one sensor.

    curve     fit in the fitted domain: ln(conductance / S) for a thin film, the output itself for a bridge
    loads     (n,), N, of the residuals
    aicc, weight   information criterion and the share of support among the candidates (Akaike weight)
    lack      test against repeated readings, None without them
    notes     what was left out, what is at its limit
    """

    kind: Kind
    model: str
    curve: CurveFit
    loads: Array
    reference_load: float
    aicc: float
    weight: float
    lack: LackOfFit | None
    notes: tuple[str, ...]

    @property
    def sensor(self) -> ThinFilm | StrainGaugeBridge:
        """The element with the fitted values. A bridge takes outputs in mV/V; a cubic has no element."""
        values: dict[str, Any] = dict(zip(self.curve.names, map(float, self.curve.parameters), strict=True))
        if self.kind == "thin film":
            return ThinFilm(reference_load=self.reference_load, **values)
        if len(values) > 3:
            raise NotMeasurableError(
                "a cubic has no bridge element", "take the quadratic or a tabulated curve"
            )
        top = float(self.loads.max())
        rise, bend = values["b1"] * top, values.get("b2", 0.0) * top**2
        return StrainGaugeBridge(
            rated_load=top,
            rated_output=1e-3 * (rise + bend),
            curvature=-bend / (4 * (rise + bend)),
            zero=1e-3 * values["b0"],
        )

    @property
    def residuals(self) -> pd.DataFrame:
        """For plots: load_N, fitted, residual (in the fitted domain; for a thin film relative)."""
        return pd.DataFrame(
            {"load_N": self.loads, "fitted": self.curve.fitted, "residual": self.curve.residuals}
        )


def fit_sensor(
    loads: Array,
    outputs: Array,
    kind: Kind,
    reference: ReferenceLoad = ReferenceLoad(),
    *,
    models: Sequence[str] | None = None,
    reference_load: float | None = None,
    counts: Array | None = None,
    squares: Array | None = None,
) -> tuple[SensorFit, ...]:
    """Fit the candidate models to readings of one sensor; the best by AICc first.

    loads    (n,), N
    outputs  (n,), conductance in S (thin film) or ratio in mV/V (bridge)
    models   names of candidates; None: all of the kind
    reference_load  N, where a thin film's sensitivity is anchored; None: geometric mean of the loads, where
                    sensitivity and exponent are hardly correlated
    counts   (n,), readings that each output is the mean of; None: one each
    squares  (n,), sum of squared deviations of these readings from it; None: 0

    Means are fitted as the readings themselves would be: weighted by their counts, the scatter inside them being
    pure error. A thin film is fitted in ln(conductance), that is with relative weights; readings without load
    or without conductance have no logarithm, are left out and counted in the notes. The reference's scatter u enters by
    effective variance, var = s^2 + (dy/dF u)^2 (Orear, Am. J. Phys. 50, 1982, 912); its gain uncertainty is
    added to the covariance along d(parameters)/d(gain). Candidates that the data cannot carry are left out;
    raises NotMeasurableError when that leaves none, ValueError for an unknown model.
    """
    loads, outputs = np.asarray(loads, dtype=float), np.asarray(outputs, dtype=float)
    means = Means(
        np.ones_like(loads) if counts is None else np.asarray(counts, dtype=float),
        np.zeros_like(loads) if squares is None else np.asarray(squares, dtype=float),
    )
    known = [m.name for m in THIN_FILM_MODELS] if kind == "thin film" else list(POLYNOMIALS)
    chosen = known if models is None else list(models)
    unknown = [name for name in chosen if name not in known]
    if unknown:
        raise ValueError(f"no model {unknown[0]!r} of a {kind}; there are {known}")
    notes: list[str] = []
    if kind == "thin film":
        usable = (loads > 0) & (outputs > 0)
        if not usable.all():
            notes.append(f"left out: {counted(int((~usable).sum()), 'reading')} without load or conductance")
        loads, outputs = loads[usable], outputs[usable]
        means = Means(means.counts[usable], means.squares[usable] / outputs**2)
    if loads.size < 3:
        raise NotMeasurableError(
            f"a fit needs three or more readings (got {loads.size})", "measure more loads"
        )
    anchor = float(loads.max())
    if kind == "thin film":
        anchor = float(np.exp(np.average(np.log(loads), weights=means.counts)))
    anchor = anchor if reference_load is None else reference_load
    number = load_points(loads).astype(float)
    fits = []
    lacks: dict[str, Lack] = {}
    for name in chosen:
        try:
            curve = _fit(name, kind, loads, outputs, anchor, reference, means)
        except NotMeasurableError as error:
            notes.append(f"{name} left out: {error}")
            lacks[name] = error.lack
            continue
        lack = lack_of_fit(curve, number)
        fits.append(SensorFit(kind, name, curve, loads, anchor, aicc(curve), 0.0, lack, curve.notes))
    if not fits:
        whys = [f"{name} left out: {lack.why}" for name, lack in lacks.items()]
        raise NotMeasurableError("; ".join(whys), next(reversed(lacks.values())).measure)
    return _ranked(fits, tuple(notes))


def _ranked(fits: list[SensorFit], notes: tuple[str, ...]) -> tuple[SensorFit, ...]:
    """Best first, with Akaike weights exp(-delta/2) / sum (Burnham and Anderson 2002, 2.9)."""
    values = np.array([fit.aicc for fit in fits])
    finite = np.isfinite(values)
    base = values[finite].min() if finite.any() else 0.0
    support = np.where(finite, np.exp(-0.5 * (np.where(finite, values, base) - base)), 0.0)
    support = support / support.sum() if finite.any() else np.full(values.size, 1 / values.size)
    return tuple(
        dataclasses.replace(fits[i], weight=float(support[i]), notes=(*fits[i].notes, *notes))
        for i in np.argsort(values, kind="stable")
    )


def _fit(
    name: str,
    kind: Kind,
    loads: Array,
    outputs: Array,
    anchor: float,
    reference: ReferenceLoad,
    means: Means,
) -> CurveFit:
    values = np.log(outputs) if kind == "thin film" else outputs
    model = next((m for m in THIN_FILM_MODELS if m.name == name), None)
    curve = _polynomial if model is None else model.logarithm(anchor)
    weights = means.counts
    fit: CurveFit | None = None
    for _ in range(ROUNDS if reference.scatter > 0 else 1):
        fit = of_means(_once(model, name, curve, loads, outputs, values, anchor, weights, fit), means)
        if reference.scatter > 0:
            weights = means.counts * _effective_weights(fit, curve, loads, reference.scatter, means.squares)
    if fit is None:
        raise NotMeasurableError(f"{name}: nothing to fit")
    return _with_gain(fit, curve, loads, reference.gain)


def _polynomial(load: Array, parameters: Array) -> Array:
    return np.asarray(np.polynomial.polynomial.polyval(load, parameters), dtype=float)


def _once(
    model: ThinFilmModel | None,
    name: str,
    curve: Callable[[Array, Array], Array],
    loads: Array,
    outputs: Array,
    values: Array,
    anchor: float,
    weights: Array,
    before: CurveFit | None,
) -> CurveFit:
    if model is None:
        return fit_polynomial(loads, values, POLYNOMIALS[name], weights)
    start = model.start(loads, outputs, anchor) if before is None else [float(p) for p in before.parameters]
    low, high = model.limits(loads, outputs)
    return fit_curve(
        curve,
        loads,
        values,
        start,
        weights,
        names=model.names,
        lower=low,
        upper=high,
        starts=1 if before is None else 0,
    )


def _slope(curve: Callable[[Array, Array], Array], loads: Array, parameters: Array) -> Array:
    """d output / d load at each load, (n,), by central differences."""
    step = 1e-6 * np.maximum(np.abs(loads), 1e-3 * np.abs(loads).max())
    result: Array = (curve(loads + step, parameters) - curve(loads - step, parameters)) / (2 * step)
    return result


def _effective_weights(
    fit: CurveFit, curve: Callable[[Array, Array], Array], loads: Array, scatter: float, inside: Array
) -> Array:
    """1 / (s^2 + (dy/dF u)^2), with s^2 of greatest likelihood given the residuals and the reference's part.

    Minimises sum ln(s^2 + part) + n / dof * r^2 / (s^2 + part) over all n readings and ln s^2.

    inside  (n,), squared deviations of the readings inside each mean
    """
    part = (_slope(curve, loads, fit.parameters) * scatter) ** 2
    counts = fit.readings
    squares = (counts * fit.residuals**2 + inside) * (float(counts.sum()) / fit.dof)
    ceiling = max(float((squares / counts).max()), 1e-300)

    def misfit(logarithm: float) -> float:
        variance = ceiling * np.exp(logarithm) + part
        return float(np.sum(counts * np.log(variance) + squares / variance))

    found = optimize.minimize_scalar(misfit, bounds=(-18.0, 0.0), method="bounded")
    result: Array = 1 / (ceiling * np.exp(found.x) + part)
    return result


def _with_gain(fit: CurveFit, curve: Callable[[Array, Array], Array], loads: Array, gain: float) -> CurveFit:
    if gain <= 0:
        return fit
    free = np.flatnonzero(np.isfinite(fit.standard_errors))
    root = np.sqrt(fit.weights)
    slopes = root[:, None] * jacobian(lambda p: curve(loads, p), fit.parameters)[:, free]
    pull = root * loads * _slope(curve, loads, fit.parameters)
    shift = np.zeros(fit.parameters.size)
    shift[free] = np.linalg.lstsq(slopes, pull, rcond=None)[0]
    covariance = fit.covariance + gain**2 * np.outer(shift, shift)
    errors = np.where(np.isfinite(fit.standard_errors), np.sqrt(np.diag(covariance)), np.nan)
    return dataclasses.replace(fit, covariance=covariance, standard_errors=errors)
