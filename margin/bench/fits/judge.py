"""How well a fitted curve suits the data: information criterion, lack of fit against pure error."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from margin.bench.fits.curve import CurveFit

Array = NDArray[np.float64]

RELATIVE_ZERO = 1e-28
"""Share of the sum of squares of the data below which a residual is rounding, not scatter."""


def aicc(fit: CurveFit) -> float:
    """Akaike's information criterion, corrected for few data (Hurvich and Tsai 1989); lower is better.

    n ln(rss / n) - sum ln w + 2 k + 2 k (k + 1) / (n - k - 1) over n readings of weight w, k = p + 1 with the
    variance; infinite for n <= k + 1, where the data cannot carry the parameters.
    """
    count, k = fit.dof + len(fit.names), len(fit.names) + 1
    if count <= k + 1:
        return float("inf")
    rounding = RELATIVE_ZERO * float(fit.weights @ (fit.fitted + fit.residuals) ** 2)
    rss = max(fit.rss, rounding, 1e-300)
    logarithms = float(fit.readings @ np.log(fit.weights / fit.readings))
    return float(count * np.log(rss / count) - logarithms + 2 * k * count / (count - k - 1))


@dataclass(frozen=True)
class LackOfFit:
    """F test of the curve against the scatter of repeated readings.

    ratio    mean square of lack of fit over that of pure error
    dof      degrees of freedom of either
    p        chance of such a ratio if the curve were right
    pure_sd  standard deviation of repeated readings (of unit weight)
    """

    ratio: float
    dof: tuple[int, int]
    p: float
    pure_sd: float


def lack_of_fit(fit: CurveFit, x: Array) -> LackOfFit | None:
    """Lack of fit against pure error (NIST/SEMATECH e-Handbook 4.6.1); None without repeated x.

    x  (n,), equal at repeated readings (nominal loads)
    """
    names, group = np.unique(x, return_inverse=True)
    count = fit.dof + len(fit.names)
    free, repeats = names.size - len(fit.names), count - names.size
    if free < 1 or repeats < 1:
        return None
    values, weight = fit.fitted + fit.residuals, fit.weights
    total = np.bincount(group, weight)
    centre = (np.bincount(group, weight * values) / total)[group]
    pure = float(weight @ (values - centre) ** 2) + fit.inside
    away = max(fit.rss - pure, 0.0)
    if pure == 0:
        return None
    ratio = away / free / (pure / repeats)
    return LackOfFit(
        ratio, (free, repeats), float(stats.f.sf(ratio, free, repeats)), float(np.sqrt(pure / repeats))
    )
