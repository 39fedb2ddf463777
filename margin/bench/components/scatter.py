"""Scatter that differs from unit to unit: its typical size and how much it varies."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special, stats

from margin.bench.errors import NotMeasurableError


@dataclass(frozen=True)
class UnitScatter:
    """Standard deviations within units, as draws of a lognormal population of standard deviations.

    typical, low, high  median standard deviation of the population and its interval
    spread              standard deviation of ln(sd) between units, sampling scatter taken off; 0: all alike
    p_equal             chance of variances at least this unlike if all units scattered alike (Bartlett 1937)
    units               one row a unit: unit, sd, dof, low, high
    """

    typical: float
    low: float
    high: float
    spread: float
    p_equal: float
    units: pd.DataFrame


def scatter_by_unit(
    values: NDArray[np.float64], unit: Any, cell: Any | None = None, confidence: float = 0.95
) -> UnitScatter:
    """Scatter of repeated values within each unit.

    values  (n,), repeated values
    unit    (n,), label of the unit
    cell    (n,), label of what is repeated within the unit (a mounting, a load); None: the unit itself

    ln s^2 of a normal sample with nu degrees of freedom has mean ln sigma^2 + psi(nu/2) - ln(nu/2) and
    variance psi'(nu/2) (Bartlett and Kendall 1946): both are taken off, so that few repeats do not pass for
    spread. Interval: Student t on the weighted scatter of the units' ln s^2 (Hartung and Knapp, Statistics in
    Medicine 20, 2001, 3875), whether the units scatter alike or not.
    Raises NotMeasurableError where fewer than two units have repeats that differ.
    """
    frame = pd.DataFrame(
        {"y": values, "unit": np.asarray(unit), "cell": 0 if cell is None else np.asarray(cell)}
    )
    groups = frame.groupby(["unit", "cell"], sort=False)["y"]
    frame["square"] = (frame["y"] - groups.transform("mean")) ** 2
    by_unit = frame.groupby("unit", sort=False)
    counts = by_unit.size().to_numpy() - by_unit["cell"].nunique().to_numpy()
    dof: NDArray[np.float64] = counts.astype(np.float64)
    variance = by_unit["square"].sum().to_numpy() / np.maximum(dof, 1)
    names = np.array(list(by_unit.groups), dtype=object)
    return scatter_of_variances(variance, dof, names, confidence)


def scatter_of_variances(
    variance: NDArray[np.float64],
    dof: NDArray[np.float64],
    names: NDArray[np.object_],
    confidence: float = 0.95,
) -> UnitScatter:
    """The same from the variance within each unit and its degrees of freedom, (unit,) each."""
    kept = (dof > 0) & (variance > 0)
    if kept.sum() < 2:
        why = "scatter by unit needs two or more units with repeated values that differ"
        raise NotMeasurableError(f"{why} (got {int(kept.sum())})", "repeat the cycles on several sensors")
    dof, variance, names = dof[kept], variance[kept], names[kept]
    logs = np.log(variance) - special.digamma(dof / 2) + np.log(dof / 2)
    noise = special.polygamma(1, dof / 2)
    between = _between(logs, noise)
    weights = 1 / (noise + between)
    centre = float(weights @ logs / weights.sum())
    error = np.sqrt(weights @ (logs - centre) ** 2 / weights.sum() / (logs.size - 1))
    half = float(stats.t.ppf((1 + confidence) / 2, logs.size - 1) * error)
    sd = np.sqrt(variance)
    upper = stats.chi2.ppf((1 + confidence) / 2, dof)
    lower = stats.chi2.ppf((1 - confidence) / 2, dof)
    table = pd.DataFrame(
        {
            "unit": names,
            "sd": sd,
            "dof": dof,
            "low": sd * np.sqrt(dof / upper),
            "high": sd * np.sqrt(dof / lower),
        }
    )
    return UnitScatter(
        float(np.exp(centre / 2)),
        float(np.exp((centre - half) / 2)),
        float(np.exp((centre + half) / 2)),
        float(np.sqrt(between)) / 2,
        _bartlett(variance, dof),
        table,
    )


def _between(logs: NDArray[np.float64], noise: NDArray[np.float64]) -> float:
    """Variance between units beyond the known sampling variances (DerSimonian and Laird 1986)."""
    weights = 1 / noise
    centre = weights @ logs / weights.sum()
    excess = weights @ (logs - centre) ** 2 - (logs.size - 1)
    scale = weights.sum() - weights @ weights / weights.sum()
    return max(float(excess / scale), 0.0)


def _bartlett(variance: NDArray[np.float64], dof: NDArray[np.float64]) -> float:
    total = dof.sum()
    pooled = dof @ variance / total
    statistic = total * np.log(pooled) - dof @ np.log(variance)
    correction = 1 + ((1 / dof).sum() - 1 / total) / (3 * (dof.size - 1))
    return float(stats.chi2.sf(statistic / correction, dof.size - 1))
