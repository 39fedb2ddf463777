"""Fit of shapes to measured values: ranking, goodness of fit, sampling uncertainty."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from distributions.distribution import Distribution, FloatArray, as_floats
from distributions.fitting.candidates import Candidate, candidates
from distributions.fitting.goodness import anderson_darling, exceedance
from distributions.streams import Stream

FEWEST = 3
FEW = 8
"""Below this many values shapes cannot be distinguished."""

CLOSE_AICC = 2.0
"""Shapes within this of the best have substantial support (Burnham and Anderson, 2002, 2.6)."""

REPEATS = 999
FEWEST_REPEATS, MOST_SIMULATED = 99, 200_000
"""With many values fewer samples are simulated: at most so many values in all, but at least 99 samples."""

HOPELESS = 30.0
"""A shape whose AICc lies so far above the best has a share of support below 1e-6 and is not judged further
(unless it is asked for by name, or the values are too few to distinguish shapes)."""


@dataclass(frozen=True)
class ShapeFit:
    """One shape fitted to n values.

    distribution    with the fitted parameters
    names           parameters, p
    parameters      (p,)
    draws           (repeats, p), parameters that the same sample could stand for: one row for each draw of
                    what is `common` to a study
    log_likelihood  at the fitted parameters
    aicc, weight    criterion and share of support among the shapes (Akaike weight)
    statistic       Anderson-Darling A^2
    p_value         chance of at least this A^2 if the shape is right, parameters fitted anew in each sample

    >>> from distributions import fit_shapes
    >>> fit_shapes([9.0, 10.0, 11.0, 10.5, 9.5], ("normal",), repeats=99).fits[0].names
    ('mean', 'sd')
    """

    distribution: Distribution
    names: tuple[str, ...]
    parameters: FloatArray
    draws: FloatArray
    log_likelihood: float
    aicc: float
    weight: float
    statistic: float
    p_value: float

    @property
    def title(self) -> str:
        return self.distribution.title

    @property
    def covariance(self) -> FloatArray:
        """Covariance of the draws, (p, p)."""
        return np.atleast_2d(np.cov(self.draws, rowvar=False))

    @property
    def standard_errors(self) -> FloatArray:
        """Standard deviations of the draws, (p,)."""
        return as_floats(self.draws.std(axis=0, ddof=1))

    def interval(self, name: str, confidence: float = 0.95) -> tuple[float, float]:
        """Quantiles of the draws of a parameter; KeyError for a name that the shape does not have."""
        if name not in self.names:
            raise KeyError(f"no parameter {name!r} of the {self.title} shape; there are {self.names}")
        column = self.draws[:, self.names.index(name)]
        low, high = np.quantile(column, [0.5 - 0.5 * confidence, 0.5 + 0.5 * confidence])
        return float(low), float(high)

    def possible(self, draw: int) -> Distribution:
        """The distribution with the parameters of that row of `draws`."""
        return type(self.distribution)(*map(float, self.draws[draw]))


@dataclass(frozen=True)
class ShapeFits:
    """Shapes fitted to the same values, the best supported first.

    count     of the values
    left_out  title of each shape that was not fitted -> why
    notes     what to know before one is chosen

    >>> from distributions import fit_shapes
    >>> fit_shapes([9.0, 10.0, 11.0, 10.5, 9.5], ("normal",), repeats=99).count
    5
    """

    fits: tuple[ShapeFit, ...]
    count: int
    left_out: dict[str, str]
    notes: tuple[str, ...]

    @property
    def best(self) -> ShapeFit:
        return self.fits[0]

    @property
    def told_apart(self) -> bool:
        """One shape alone has substantial support."""
        return self.count >= FEW and len(self.supported) == 1

    @property
    def supported(self) -> tuple[ShapeFit, ...]:
        """Shapes that the values do not speak against; all of them for fewer than eight values."""
        if self.count < FEW:
            return self.fits
        return tuple(fit for fit in self.fits if fit.aicc <= self.best.aicc + CLOSE_AICC)

    def __getitem__(self, title: str) -> ShapeFit:
        for fit in self.fits:
            if fit.title == title:
                return fit
        why = self.left_out.get(title, f"there are {[fit.title for fit in self.fits]}")
        raise KeyError(f"no fit of a {title!r} shape: {why}")

    def __str__(self) -> str:
        lines = [f"{'shape':<14}{'AICc':>10}{'weight':>8}{'A^2':>8}{'p':>7}  parameters (95 % interval)"]
        for fit in self.fits:
            values = ", ".join(
                f"{name} {value:.5g} ({low:.5g} to {high:.5g})"
                for name, value in zip(fit.names, fit.parameters, strict=True)
                for low, high in [fit.interval(name)]
            )
            lines.append(
                f"{fit.title:<14}{fit.aicc:>10.2f}{fit.weight:>8.2f}{fit.statistic:>8.3f}{fit.p_value:>7.3f}"
                f"  {values}"
            )
        lines += [f"{title} left out: {why}" for title, why in self.left_out.items()]
        return "\n".join([*lines, *self.notes])


def fit_shapes(
    values: ArrayLike,
    shapes: Sequence[str] | None = None,
    *,
    limits: tuple[float, float] | None = None,
    repeats: int = REPEATS,
    seed: int = 1,
) -> ShapeFits:
    """Fit shapes to independent measured values, the best by AICc first.

    values   (n,), finite, three or more, not all equal
    shapes   titles ('normal', 'lognormal', 'rectangular', 'triangular', 'beta', 'gamma', 'Weibull',
             'half-normal', 'Rayleigh', 'exponential', 'Student t'); None: all that suit the values
    limits   of the beta shape, known from the process; without them it is not fitted: estimated from the
             same values they collapse onto the extremes or run away
    repeats  samples simulated from each fitted shape, for its p value and the draws of its parameters; fewer
             with many values
    seed     of the simulated samples

    Estimates of greatest likelihood (limits: least variance without bias). AICc = -2 ln L + 2 k +
    2 k (k + 1) / (n - k - 1) (Hurvich and Tsai, 1989), infinite for n <= k + 1. Goodness of fit by
    Anderson and Darling's A^2 against samples simulated from the fitted shape and fitted anew (parametric
    bootstrap; Stute, Gonzalez Manteiga and Presedo Quindimil, Metrika 40, 1993, 243). The same samples give
    the draws of the parameters (see `candidates`).

    Raises ValueError for values that are too few, equal or not finite, and for an unknown shape.

    >>> from distributions import Normal, fit_shapes
    >>> values = Normal(10.0, 1.0).ppf([(k + 0.5) / 20 for k in range(20)])
    >>> best = fit_shapes(values, ("normal", "exponential"), repeats=99).fits[0]
    >>> best.distribution.title, round(best.distribution.mean, 3)
    ('normal', 10.0)
    """
    sample = _checked(as_floats(values))
    known = candidates(limits or (-math.inf, math.inf))
    titles = [candidate.title for candidate in known]
    wanted = titles if shapes is None else list(shapes)
    if unknown := [title for title in wanted if title not in titles]:
        raise ValueError(f"no shape {unknown[0]!r} can be fitted; there are {titles}")
    if repeats < 19:
        raise ValueError(f"repeats must be 19 or more, so that p can reach 0.05 (got {repeats})")
    left_out: dict[str, str] = {}
    rough: list[_Rough] = []
    for candidate in (c for c in known if c.title in wanted):
        if why := _unsuited(candidate, sample, limits):
            left_out[candidate.title] = why
        else:
            rough.append(_estimate(candidate, sample))
    if not rough:
        raise ValueError("; ".join(f"{title}: {why}" for title, why in left_out.items()))
    least = min(fit.aicc for fit in rough)
    if shapes is None and sample.size >= FEW:
        hopeless = [fit for fit in rough if fit.aicc > least + HOPELESS]
        rough = [fit for fit in rough if fit.aicc <= least + HOPELESS]
        left_out |= {
            f.candidate.title: f"no support, AICc {f.aicc - least:.0f} above the best" for f in hopeless
        }
    count = min(repeats, max(FEWEST_REPEATS, MOST_SIMULATED // sample.size))
    single = [_judged(fit, sample, count, Stream(seed)) for fit in rough]
    return ShapeFits(_ranked(single), sample.size, left_out, _notes(sample.size, count, repeats))


@dataclass(frozen=True)
class _Rough:
    """A shape with its estimates, before samples of it are simulated."""

    candidate: Candidate
    parameters: FloatArray
    distribution: Distribution
    log_likelihood: float
    aicc: float


def _checked(sample: FloatArray) -> FloatArray:
    if sample.ndim != 1 or sample.size < FEWEST:
        raise ValueError(
            f"a fit needs {FEWEST} or more values in one row (got shape {sample.shape}): measure more"
        )
    if not np.isfinite(sample).all():
        bad = int(np.flatnonzero(~np.isfinite(sample))[0])
        raise ValueError(f"value {bad} is {sample[bad]}: leave out what is not a number before the fit")
    ordered = np.sort(sample)
    # Below this the spread is rounding: no estimate of a shape would mean anything.
    if np.ptp(ordered) <= 1e-12 * np.abs(ordered).max():
        raise ValueError(f"all values are {ordered[0]:g}: there is no spread to fit; read with more digits")
    return ordered


def _unsuited(candidate: Candidate, sample: FloatArray, limits: tuple[float, float] | None) -> str:
    """Why the shape does not suit the values; '' where it does."""
    if candidate.title == "beta":
        if limits is None:
            return "its limits are not stated (limits = (low, high))"
        if sample[-1] >= limits[1]:
            return f"it needs values below {limits[1]:g}, the largest is {sample[-1]:g}"
    if sample[0] <= candidate.above:
        return f"it needs values above {candidate.above:g}, the smallest is {sample[0]:g}"
    return ""


def _estimate(candidate: Candidate, sample: FloatArray) -> _Rough:
    n, k = sample.size, candidate.free
    parameters = candidate.estimate(sample[None, :])[0]
    distribution = candidate.made(parameters)
    # A density below the range of floats counts as the smallest float: such a shape is last all the same.
    likelihood = float(np.sum(np.log(np.maximum(distribution.pdf(sample), np.finfo(float).tiny))))
    aicc = math.inf if n <= k + 1 else -2.0 * likelihood + 2.0 * k * n / (n - k - 1)
    return _Rough(candidate, parameters, distribution, likelihood, aicc)


def _judged(fit: _Rough, sample: FloatArray, repeats: int, stream: Stream) -> ShapeFit:
    candidate, n = fit.candidate, sample.size
    levels = stream.uniforms(f"fit {candidate.title}", 0, repeats * n).reshape(repeats, n)
    drawn = np.sort(fit.distribution.ppf(levels), axis=1)
    starred = candidate.estimate(drawn)
    distances = np.array(
        [
            float(anderson_darling(candidate.made(row).cdf(values)))
            for row, values in zip(starred, drawn, strict=True)
        ]
    )
    statistic = float(anderson_darling(fit.distribution.cdf(sample)))
    return ShapeFit(
        fit.distribution,
        candidate.names,
        fit.parameters,
        candidate.invert(fit.parameters, starred),
        fit.log_likelihood,
        fit.aicc,
        0.0,
        statistic,
        exceedance(statistic, distances),
    )


def _ranked(fits: list[ShapeFit]) -> tuple[ShapeFit, ...]:
    """Best first, with Akaike weights exp(-delta / 2) / sum (Burnham and Anderson, 2002, 2.9)."""
    ordered = sorted(fits, key=lambda fit: fit.aicc)
    support = [
        1.0 if fit.aicc == ordered[0].aicc else math.exp(0.5 * (ordered[0].aicc - fit.aicc))
        for fit in ordered
    ]
    total = sum(support)
    return tuple(
        dataclasses.replace(fit, weight=share / total) for fit, share in zip(ordered, support, strict=True)
    )


def _notes(count: int, done: int, asked: int) -> tuple[str, ...]:
    notes = []
    if count < FEW:
        notes.append(
            f"{count} values do not distinguish shapes: choose the shape by what is known of the quantity "
            f"(JCGM 101, table 1) and use the fit for its parameters, or measure {FEW} or more, better 30"
        )
    if done < asked:
        notes.append(f"{done} samples simulated for each shape, not {asked}: there are many values")
    return tuple(notes)
