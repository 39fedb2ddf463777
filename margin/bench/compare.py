"""Circuits or interface materials side by side: which differences the data resolve."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from margin.bench.merits.merit import Merit, mean_interval

Array = NDArray[np.float64]
By = Literal["circuit", "interface"]


@dataclass(frozen=True)
class Comparison:
    """Two setups side by side.

    sides        one row a setup and figure: the label, figure, mean, low, high, unit, sensors
    differences  one row a figure and pair: figure, first, second, difference (second - first), low, high,
                 unit, p, p_adjusted (Holm over all rows), test ('paired by sensor' or 'Welch'), pairs,
                 resolved
    statements   one sentence a row of `differences`, in the same order
    """

    sides: pd.DataFrame
    differences: pd.DataFrame
    statements: tuple[str, ...]


def compare(
    merits: Sequence[Merit], by: By, figures: Sequence[str] | None = None, confidence: float = 0.95
) -> Comparison:
    """Compare circuits or interfaces on their figures of merit, sensor by sensor.

    merits   of single sensors, as from `figures_of_merit` (pooled ones are passed over)
    by       what is compared; values of the other label are averaged within each sensor
    figures  names; None: all

    Where two or more sensors were measured on both sides the difference is paired by sensor (Student t), else
    by Welch's test. Figures whose units differ are not compared. p values are adjusted for the number of
    comparisons (Holm 1979); a difference is resolved when the adjusted p is below 1 - confidence. Intervals
    hold one at a time. Raises ValueError where there are not two setups.
    """
    if by not in ("circuit", "interface"):
        raise ValueError(f"compare by 'circuit' or 'interface' (got {by!r})")
    single = [m for m in merits if m.sensor != "pooled" and m.value is not None]
    wanted = [m for m in single if figures is None or m.name in figures]
    table = pd.DataFrame(
        {
            "figure": [m.name for m in wanted],
            "side": [getattr(m, by) for m in wanted],
            "sensor": [m.sensor for m in wanted],
            "unit": [m.unit for m in wanted],
            "value": np.array([m.value for m in wanted], dtype=float),
        }
    )
    there = list(dict.fromkeys(table["side"]))
    if len(there) < 2:
        raise ValueError(f"comparing by {by} needs two or more of them (got {there}): measure another {by}")
    cells = table.groupby(["figure", "side", "sensor", "unit"], sort=False)["value"].mean().reset_index()
    sides = _sides(cells, by, confidence)
    found: dict[tuple[str, str], dict[str, float]] = {}
    units: dict[str, set[str]] = {}
    text = (cells[column].astype(str) for column in ("figure", "side", "sensor", "unit"))
    for figure, side, sensor, unit, value in zip(*text, cells["value"], strict=True):
        found.setdefault((figure, side), {})[sensor] = float(value)
        units.setdefault(figure, set()).add(unit)
    rows = [
        (figure, first, second, *gap[:3], next(iter(units[figure])), *gap[3:])
        for figure in dict.fromkeys(table["figure"])
        for first, second in combinations(there, 2)
        if len(units[figure]) == 1
        and (gap := _gap(found.get((figure, first), {}), found.get((figure, second), {}), confidence))
    ]
    columns = ["figure", "first", "second", "difference", "low", "high", "unit", "p", "test", "pairs"]
    differences = pd.DataFrame(rows, columns=columns)
    adjusted = holm(differences["p"].to_numpy(dtype=float))
    differences.insert(8, "p_adjusted", adjusted)
    differences["resolved"] = adjusted < 1 - confidence
    statements = tuple(_statement(row, confidence) for row in differences.to_dict("records"))
    return Comparison(sides, differences, statements)


def holm(chances: Array) -> Array:
    """p values adjusted for their number, (k,), by Holm's step-down rule (Scand. J. Stat. 6, 1979, 65)."""
    if not chances.size:
        return chances
    order = np.argsort(chances, kind="stable")
    factors = np.arange(chances.size, 0, -1)
    stepped = np.minimum(np.maximum.accumulate(chances[order] * factors), 1.0)
    result = np.empty_like(chances)
    result[order] = stepped
    return result


def _sides(cells: pd.DataFrame, by: str, confidence: float) -> pd.DataFrame:
    rows = []
    for (figure, side, unit), part in cells.groupby(["figure", "side", "unit"], sort=False):
        values = part["value"].to_numpy(dtype=float)
        rows.append((side, figure, *mean_interval(values, confidence), unit, values.size))
    return pd.DataFrame(rows, columns=[by, "figure", "mean", "low", "high", "unit", "sensors"])


def _gap(
    one: dict[str, float], two: dict[str, float], confidence: float
) -> tuple[float, float, float, float, str, int] | None:
    """Second less first, its interval, p, the test and the number of pairs; None with too few sensors.

    one, two  value by sensor
    """
    shared = [sensor for sensor in one if sensor in two]
    if len(shared) >= 2:
        gaps = np.array([two[sensor] - one[sensor] for sensor in shared])
        mean, error = float(gaps.mean()), float(gaps.std(ddof=1) / np.sqrt(gaps.size))
        dof, test = float(gaps.size - 1), "paired by sensor"
    elif len(one) >= 2 and len(two) >= 2:
        a, b = np.array(list(one.values())), np.array(list(two.values()))
        parts = np.array([a.var(ddof=1) / a.size, b.var(ddof=1) / b.size])
        mean, error = float(b.mean() - a.mean()), float(np.sqrt(parts.sum()))
        weights = parts / parts.sum() if parts.sum() > 0 else np.array([0.5, 0.5])
        dof, test = float(1 / (weights**2 @ (1 / np.array([a.size - 1, b.size - 1])))), "Welch"
    else:
        return None
    half = float(stats.t.ppf((1 + confidence) / 2, dof)) * error
    chance = 1.0 if mean == 0 else 0.0
    if error > 0:
        chance = float(2 * stats.t.sf(abs(mean) / error, dof))
    return mean, mean - half, mean + half, chance, test, len(shared)


def _statement(row: dict[object, object], confidence: float) -> str:
    ends = f"{row['low']:+.3g} to {row['high']:+.3g} {row['unit']}"
    pair = f"{row['second']} against {row['first']}"
    if row["resolved"]:
        return (
            f"{row['figure']}: {pair} differs by {row['difference']:+.3g} {row['unit']} "
            f"({ends} at {100 * confidence:.0f} %, {row['test']})"
        )
    return (
        f"{row['figure']}: {pair}, no difference resolved ({ends} at {100 * confidence:.0f} %, {row['test']})"
    )
