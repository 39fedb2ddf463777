"""Figures of merit from load cycles: zero, sensitivity, linearity, hysteresis, repeatability, remounting.

Definitions follow IEC 61298-2 and ISA-51.1 unless said otherwise. 'Full-scale output' is the mean ascending
output at the highest load less that at the lowest.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from margin.bench.components import nested_components
from margin.bench.errors import Lack
from margin.bench.merits.linearity import DEFINITIONS, least_squares, linearity
from margin.bench.merits.merit import Merit, jackknife, lacking, mean_interval, sd_interval
from margin.bench.merits.sweeps import Sweeps

Pairing = Literal["same cycle", "next cycle"]

PAIRING_TEXT: dict[str, str] = {
    "same cycle": "each descending branch against the ascending branch of the same cycle",
    "next cycle": "each descending branch against the next ascending branch of the same mounting",
}


def full_scale(sweeps: Sweeps) -> float:
    """Mean ascending output at the highest load less that at the lowest, in the unit of the output."""
    curve = mean_curve(sweeps.up)
    return float(curve[-1] - curve[0])


def mean_curve(branch: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean over cycles, (c, l) -> (l,); NaN at loads never read."""
    count = np.isfinite(branch).sum(axis=0)
    total = np.where(np.isfinite(branch), branch, 0.0).sum(axis=0)
    result: NDArray[np.float64] = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return result


def by_mounting(values: NDArray[np.float64], sweeps: Sweeps) -> NDArray[np.float64]:
    """Values of cycles, (c,), averaged within mountings where there are two or more: what is independent."""
    finite = np.isfinite(values)
    values, mounting = values[finite], sweeps.mounting[finite]
    number = np.unique(mounting, return_inverse=True)[1]
    if number.max(initial=0) == 0:
        return values
    result: NDArray[np.float64] = np.bincount(number, values) / np.bincount(number)
    return result


def zero(sweeps: Sweeps, unit: str, confidence: float) -> Merit:
    """Zero: mean output at zero load before loading. Interval: Student t over mountings (or cycles)."""
    name, text = "zero", "output at zero load on the ascending branch"
    if not sweeps.has_zero:
        return lacking(
            name, unit, text, Lack("no reading at zero load", "read the unloaded output before each cycle")
        )
    values = by_mounting(sweeps.up[:, 0], sweeps)
    if not values.size:
        return lacking(
            name, unit, text, Lack("no ascending reading at zero load", "read it before each cycle")
        )
    return _mean_merit(name, unit, text, values, sweeps, confidence)


def sensitivity(sweeps: Sweeps, unit: str, confidence: float) -> Merit:
    """Sensitivity: slope of the independent least squares line through each ascending branch (VIM 4.12)."""
    text = "slope of the least squares line through the ascending branch"
    values = by_mounting(cycle_slopes(sweeps), sweeps)
    if not values.size:
        note: str = Lack("no cycle has two ascending loads", "measure at least two loads going up")
        return lacking("sensitivity", f"{unit}/N", text, note)
    return _mean_merit("sensitivity", f"{unit}/N", text, values, sweeps, confidence)


def cycle_slopes(sweeps: Sweeps) -> NDArray[np.float64]:
    """(c,), least squares slope of each ascending branch; NaN with fewer than two loads."""
    slopes = np.full(sweeps.cycles, np.nan)
    for cycle, row in enumerate(sweeps.up):
        read = np.isfinite(row)
        if read.sum() >= 2:
            slopes[cycle] = least_squares(sweeps.loads[read], row[read]).slope
    return slopes


def linearities(sweeps: Sweeps, confidence: float) -> list[Merit]:
    """Linearity by each definition of the line: max |mean ascending output - line| / full-scale output.

    Interval: jackknife over mountings (or cycles); the largest deviation of few cycles is biased upwards by
    their scatter.
    """
    merits = []
    read = np.isfinite(mean_curve(sweeps.up))
    for definition, (_, words) in DEFINITIONS.items():
        name = f"linearity, {definition}"
        text = f"largest deviation of the mean ascending output {words}, of full-scale output"
        if read.sum() < 3:
            note: str = Lack(
                "fewer than three ascending loads", "measure at least three, better eight or more"
            )
            merits.append(lacking(name, "%", text, note))
            continue

        def of_cycles(chosen: NDArray[np.intp], definition: str = definition) -> float:
            curve = mean_curve(sweeps.up[chosen])
            return 100 * linearity(sweeps.loads[np.isfinite(curve)], curve[np.isfinite(curve)], definition)

        merits.append(_jackknifed(name, text, of_cycles, sweeps, confidence))
    return merits


def paired_loops(sweeps: Sweeps, pairing: Pairing = "same cycle") -> NDArray[np.float64]:
    """Descending less ascending output at each load, (pairs, l), NaN where either is missing."""
    if pairing == "same cycle":
        return sweeps.down - sweeps.up
    follows = np.flatnonzero(sweeps.mounting[1:] == sweeps.mounting[:-1])
    result: NDArray[np.float64] = sweeps.down[follows] - sweeps.up[follows + 1]
    return result


def hysteresis(
    sweeps: Sweeps, confidence: float, pairing: Pairing = "same cycle", largest: bool = False
) -> Merit:
    """Hysteresis: full width of the loop, max |descending - ascending| / full-scale output.

    By default of the loop averaged over cycles; `largest` takes the widest single pair instead, which holds
    the scatter of single readings too. Both are in use; which, and which branches are paired, stands in the
    definition (ISA-51.1 takes off the dead band, which cannot be told apart here).
    """
    name = "hysteresis, largest pair" if largest else "hysteresis"
    of = "of any single pair" if largest else "of the mean loop"
    text = f"full width {of}, {PAIRING_TEXT[pairing]}, of full-scale output"
    loops = paired_loops(sweeps, pairing)
    if not np.isfinite(loops).any():
        note: str = Lack("not available without unloading data", "read the same loads going down")
        return lacking(name, "%", text, note)
    if largest:
        value = float(np.nanmax(np.abs(loops)) / abs(full_scale(sweeps)))
        note = "a largest value grows with the number of cycles: no interval"
        return Merit(name, 100 * value, None, None, "%", text, confidence, loops.shape[0], note)

    def of_cycles(chosen: NDArray[np.intp]) -> float:
        part = sweeps.take(chosen)
        curve = mean_curve(paired_loops(part, pairing))
        return 100 * float(np.nanmax(np.abs(curve)) / abs(full_scale(part)))

    return _jackknifed(name, text, of_cycles, sweeps, confidence)


def repeatability(sweeps: Sweeps, confidence: float) -> list[Merit]:
    """Repeatability, both forms: same load, same direction, same mounting (VIM 2.21; IEC 61298-2).

    range   max over loads of (largest - smallest) / full-scale output
    sd      s_r = sqrt(sum (y - mean)^2 / sum (m - 1)) over loads, branches and mountings, / full-scale
            output; chi-square interval on the number of free cycles (one sweep's loads move together)
    """
    range_text = "largest range over cycles at one load, branch and mounting, of full-scale output"
    sd_text = "standard deviation over cycles at one load, branch and mounting, pooled, of full-scale output"
    widest, squares, count, dof = 0.0, 0.0, 0, 0
    for mounting in np.unique(sweeps.mounting):
        part = sweeps.take(sweeps.mounting == mounting)
        dof += max(part.cycles - 1, 0)
        for branch in (part.up, part.down):
            for column in branch.T:
                values = column[np.isfinite(column)]
                if values.size >= 2:
                    widest = max(widest, float(np.ptp(values)))
                    squares += float(np.sum((values - values.mean()) ** 2))
                    count += values.size - 1
    if not count:
        note: str = Lack(
            "one cycle of each mounting", "repeat the cycle without remounting, three times or more"
        )
        return [
            lacking("repeatability, range", "%", range_text, note),
            lacking("repeatability, standard deviation", "%", sd_text, note),
        ]
    scale = 100 / abs(full_scale(sweeps))
    sd = float(np.sqrt(squares / count)) * scale
    low, high = sd_interval(sd, dof, confidence)
    note = "a range grows with the number of cycles: no interval"
    return [
        Merit("repeatability, range", widest * scale, None, None, "%", range_text, confidence, dof + 1, note),
        Merit("repeatability, standard deviation", sd, low, high, "%", sd_text, confidence, dof + 1),
    ]


def reproducibility(sweeps: Sweeps, confidence: float) -> Merit:
    """Reproducibility after remounting: standard deviation of the sensitivity between mountings (VIM 2.25).

    One-way analysis of variance of the slopes of the cycles by mounting; the scatter within a mounting is
    taken off. Interval: generalised confidence interval (see margin.bench.components).
    """
    name = "reproducibility after remounting"
    text = "standard deviation between mountings of the sensitivity, scatter within mountings taken off"
    if sweeps.mountings < 2:
        note: str = Lack("one mounting", "take the sensor out and mount it again, three times or more")
        return lacking(name, "%", text, note)
    slopes = cycle_slopes(sweeps)
    read = np.isfinite(slopes)
    result = nested_components(
        slopes[read] / slopes[read].mean(),
        {"mounting": sweeps.mounting[read]},
        residual="loading",
        confidence=confidence,
    )
    found = result["mounting"]
    if found.sd is None or found.low is None or found.high is None:
        return lacking(name, "%", text, found.note)
    ends = (100 * found.sd, 100 * found.low, 100 * found.high)
    return Merit(name, *ends, "%", text, confidence, sweeps.mountings, found.note)


def zero_return(sweeps: Sweeps, confidence: float) -> Merit:
    """Zero return: output at zero load after a cycle less that before it, / full-scale output."""
    name, text = (
        "zero return",
        "output at zero load after unloading less that before loading, of full-scale output",
    )
    if not sweeps.has_zero or not np.isfinite(sweeps.down[:, 0] - sweeps.up[:, 0]).any():
        note: str = Lack("zero load is not read both before and after a cycle", "read it at both ends")
        return lacking(name, "%", text, note)
    values = 100 * by_mounting(sweeps.down[:, 0] - sweeps.up[:, 0], sweeps) / abs(full_scale(sweeps))
    return _mean_merit(name, "%", text, values, sweeps, confidence)


ONE_MOUNTING = (
    "one mounting: the interval is valid for this mounting only; mount the sensor three times or more"
)
TWO_MOUNTINGS = "two mountings: the interval is valid for these two; mount the sensor three times or more"


def _reach(sweeps: Sweeps) -> str:
    """What an interval from cycles does not cover."""
    return {1: ONE_MOUNTING, 2: TWO_MOUNTINGS}.get(sweeps.mountings, "")


def _mean_merit(
    name: str, unit: str, text: str, values: NDArray[np.float64], sweeps: Sweeps, confidence: float
) -> Merit:
    mean, low, high = mean_interval(values, confidence)
    note = ONE_MOUNTING if sweeps.mountings == 1 else ""
    note = note if low is not None else Lack("one cycle", "repeat it for an interval")
    return Merit(name, mean, low, high, unit, text, confidence, int(values.size), note)


def _jackknifed(
    name: str, text: str, statistic: Callable[[NDArray[np.intp]], float], sweeps: Sweeps, confidence: float
) -> Merit:
    value, low, high, count = jackknife(statistic, sweeps.blocks, confidence)
    note = (
        _reach(sweeps) if low is not None else Lack("fewer than three cycles", "repeat them for an interval")
    )
    if low is not None and high is not None:
        low = max(low, 0.0)
    return Merit(name, value, low, high, "%", text, confidence, count, note)
