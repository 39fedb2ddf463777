"""Variance components of nested random effects, with intervals that hold what they say.

Point estimates: analysis of variance, sequential sums of squares set equal to their expectations.
Intervals: generalised confidence intervals (Weerahandi 1993; Burdick, Borror and Montgomery, Design and
Analysis of Gauge R&R Studies, 2005, chapter 3) on the unweighted means squares, which are the usual mean
squares where the data are balanced. The scatter of measurement is taken off the spread of units in both.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from margin.bench.components.anova import (
    Classification,
    MeanSquares,
    classify,
    expected_coefficients,
    sums_of_squares,
    unweighted_mean_squares,
)
from margin.bench.errors import Lack, NotMeasurableError

DRAWS = 10_000


@dataclass(frozen=True)
class Component:
    """Spread that one level of variation adds.

    level      its name
    variance   None where the data cannot show it
    sd, low, high  standard deviation and ends of its interval, in the unit of the values
    share      of the total variance
    dof        Satterthwaite's effective degrees of freedom of the variance (JCGM 100, G.4)
    units      how many units of the level there are
    negative   the analysis of variance gave a negative estimate, reported as 0
    note       what to know: a `Lack` where the data cannot give it, holds another level too, negative
    """

    level: str
    variance: float | None
    sd: float | None
    low: float | None
    high: float | None
    share: float | None
    dof: float
    units: int
    negative: bool
    note: str

    @property
    def measured(self) -> bool:
        return self.variance is not None


@dataclass(frozen=True)
class Components:
    """Components of all levels, outermost first.

    mean, mean_low, mean_high  mean of the outermost units and its Student t interval
    anova   one row a measurable level: level, dof, sum_of_squares, mean_square, F (against the level below),
            p
    """

    mean: float
    mean_low: float | None
    mean_high: float | None
    components: tuple[Component, ...]
    anova: pd.DataFrame
    confidence: float

    def __getitem__(self, level: str) -> Component:
        for component in self.components:
            if component.level == level:
                return component
        raise KeyError(f"no level {level!r}; there are {[c.level for c in self.components]}")

    @property
    def frame(self) -> pd.DataFrame:
        """One row a level, columns as the fields of `Component`."""
        return pd.DataFrame([vars(component) for component in self.components])

    @property
    def not_measurable(self) -> tuple[str, ...]:
        """Levels that the data cannot show."""
        return tuple(c.level for c in self.components if not c.measured)


def nested_components(
    values: NDArray[np.float64],
    labels: Mapping[str, Any],
    *,
    residual: str = "reading",
    confidence: float = 0.95,
    seed: int = 1,
    draws: int = DRAWS,
) -> Components:
    """Components of variance of nested levels, balanced or not.

    values    (n,), finite
    labels    level -> (n,) label of each value, outermost level first, distinct within their parent only
    residual  name of the level of the single values
    draws     of the chi-square variables behind each generalised interval, from `seed`

    A level with a single unit, or with one unit in each parent, has no entry of its own: it reads 'not
    measurable from this data' and says where its spread went. Raises NotMeasurableError for fewer than two
    values, ValueError for values that are not finite or labels of another length.
    """
    values = np.asarray(values, dtype=float)
    if values.ndim != 1 or values.size < 2:
        raise NotMeasurableError(
            f"components need two or more values (got {values.size})",
            "measure several sensors, mountings and cycles",
        )
    if not np.isfinite(values).all():
        bad = int(np.flatnonzero(~np.isfinite(values))[0])
        raise ValueError(f"value {bad} is {values[bad]}: leave out what is not a number before the analysis")
    coded: dict[str, NDArray[np.intp]] = {}
    for level, label in labels.items():
        coded[level] = np.asarray(pd.factorize(np.asarray(label))[0], dtype=np.intp)
        if coded[level].shape != values.shape:
            raise ValueError(
                f"labels of '{level}' have shape {coded[level].shape}, the values {values.shape}"
            )
    coded[residual] = np.arange(values.size)
    full = classify(coded)
    seen = {level: label for (level, label), dof in zip(coded.items(), full.dof, strict=True) if dof}
    classes = classify(seen)
    squares = sums_of_squares(values, classes)
    variances = np.linalg.solve(expected_coefficients(classes), squares)
    unweighted = unweighted_mean_squares(values, classes)
    low, high = _intervals(unweighted, confidence, seed, draws)
    dofs = _satterthwaite(unweighted)
    found = {level: (float(variances[i]), low[i], high[i], dofs[i]) for i, level in enumerate(classes.names)}
    total = float(np.maximum(variances, 0).sum())
    components = tuple(
        _component(level, i, full, found.get(level), total) for i, level in enumerate(full.names)
    )
    half = None
    if unweighted.top > 1:
        error = np.sqrt(unweighted.square[0] / unweighted.top)
        half = float(stats.t.ppf((1 + confidence) / 2, unweighted.top - 1) * error)
    return Components(
        unweighted.mean,
        None if half is None else unweighted.mean - half,
        None if half is None else unweighted.mean + half,
        components,
        _table(classes, squares),
        confidence,
    )


def _intervals(
    means: MeanSquares, confidence: float, seed: int, draws: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Ends of the standard deviations, (levels,) each: var = C^-1 (dof S / chi2), negative draws as 0."""
    rng = np.random.default_rng(seed)
    chi2 = np.stack([rng.chisquare(dof, draws) for dof in means.dof])
    pivots = (means.dof * means.square)[:, None] / chi2
    variances = np.maximum(np.linalg.solve(means.coefficients, pivots), 0.0)
    ends = np.quantile(variances, [(1 - confidence) / 2, (1 + confidence) / 2], axis=1)
    exact = stats.chi2.ppf([(1 + confidence) / 2, (1 - confidence) / 2], means.dof[-1])
    ends[:, -1] = means.dof[-1] * means.square[-1] / exact
    low, high = np.sqrt(ends)
    return low, high


def _satterthwaite(means: MeanSquares) -> NDArray[np.float64]:
    """(sum a S)^2 / sum((a S)^2 / dof) of each variance = sum a S; 0 where the estimate is not positive."""
    terms = np.linalg.inv(means.coefficients) * means.square
    variances = terms.sum(axis=1)
    spread = (terms**2 / means.dof).sum(axis=1)
    return np.where((variances > 0) & (spread > 0), variances**2 / np.where(spread > 0, spread, 1.0), 0.0)


def _component(
    level: str,
    place: int,
    full: Classification,
    found: tuple[float, float, float, float] | None,
    total: float,
) -> Component:
    units = full.counts[place]
    if found is None:
        above = full.names[place - 1] if place else ""
        if units == 1:
            note = Lack(f"only one {level}", "measure several")
        else:
            note = Lack(f"one {level} in each {above}, its spread counts as {above}")
        return Component(level, None, None, None, None, None, 0.0, units, False, note)
    variance, low, high, dof = found
    notes = []
    if variance < 0:
        notes.append(f"estimate negative ({variance:.3g}), reported as 0: below what the levels inside hide")
    inside = place + 1
    while inside < len(full.names) and full.dof[inside] == 0:
        notes.append(f"includes the spread of {full.names[inside]}")
        inside += 1
    kept = max(variance, 0.0)
    share = kept / total if total > 0 else 0.0
    sd = float(np.sqrt(kept))
    return Component(
        level, kept, sd, float(low), float(high), share, float(dof), units, variance < 0, "; ".join(notes)
    )


def _table(classes: Classification, squares: NDArray[np.float64]) -> pd.DataFrame:
    dof = np.array(classes.dof)
    mean = squares / dof
    below = np.append(mean[1:], np.nan)
    known = below > 0
    ratio = np.where(known, mean / np.where(known, below, 1.0), np.nan)
    chance = [
        float(stats.f.sf(ratio[i], dof[i], dof[i + 1])) if known[i] else np.nan for i in range(dof.size)
    ]
    return pd.DataFrame(
        {
            "level": classes.names,
            "dof": dof,
            "sum_of_squares": squares,
            "mean_square": mean,
            "F": ratio,
            "p": chance,
        }
    )
