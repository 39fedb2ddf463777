"""One figure of merit with its interval, and how intervals of means are made."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats


@dataclass(frozen=True)
class Merit:
    """A figure of merit of one sensor, or pooled over sensors.

    name        trade name ('hysteresis', 'linearity, terminal-based')
    value       None where the data cannot give it; `note` then says what to measure
    low, high   ends of the interval at `confidence`; None where there is none, `note` then says why
    unit        of value, low and high
    definition  what is meant, in one line
    sensor      'lot / sensor', or 'pooled'
    circuit, interface  what it was measured with
    count       independent values behind the interval (cycles, mountings or sensors)
    """

    name: str
    value: float | None
    low: float | None
    high: float | None
    unit: str
    definition: str
    confidence: float = 0.95
    count: int = 0
    note: str = ""
    sensor: str = ""
    circuit: str = ""
    interface: str = ""

    @property
    def measured(self) -> bool:
        return self.value is not None


def lacking(name: str, unit: str, definition: str, note: str) -> Merit:
    """A figure of merit not available from these data, with what to measure next."""
    return Merit(name, None, None, None, unit, definition, note=note)


def frame_of(merits: Iterable[Merit]) -> pd.DataFrame:
    """One row a figure of merit, columns as the fields of `Merit`."""
    names = [field.name for field in dataclasses.fields(Merit)]
    return pd.DataFrame([dataclasses.astuple(merit) for merit in merits], columns=names)


def mean_interval(values: NDArray[np.float64], confidence: float) -> tuple[float, float | None, float | None]:
    """Mean of independent values, shape (n,), and its Student t interval (JCGM 100, 4.2 and G.3).

    mean +/- t(n - 1) s / sqrt(n). No interval for one value.
    """
    mean = float(values.mean())
    if values.size < 2:
        return mean, None, None
    half = float(
        stats.t.ppf((1 + confidence) / 2, values.size - 1) * values.std(ddof=1) / np.sqrt(values.size)
    )
    return mean, mean - half, mean + half


def sd_interval(sd: float, dof: float, confidence: float) -> tuple[float, float]:
    """Chi-square interval of a standard deviation with `dof` degrees of freedom (normal scatter).

    sd sqrt(dof / chi2(dof; (1 +/- confidence) / 2)); NIST/SEMATECH e-Handbook 7.2.3.1.
    """
    upper = stats.chi2.ppf((1 + confidence) / 2, dof)
    lower = stats.chi2.ppf((1 - confidence) / 2, dof)
    return sd * float(np.sqrt(dof / upper)), sd * float(np.sqrt(dof / lower))


def jackknife(
    statistic: Callable[[NDArray[np.intp]], float], blocks: NDArray[np.intp], confidence: float
) -> tuple[float, float | None, float | None, int]:
    """A statistic of cycles with a jackknife interval (Tukey 1958), one block of cycles left out at a time.

    statistic  of the numbers of the cycles taken
    blocks     (cycles,), block of each cycle

    Pseudo-values n s - (n - 1) s_(i) have a Student t interval about the full statistic. No interval for
    fewer than three blocks.
    """
    everything = np.arange(blocks.size)
    full = statistic(everything)
    names = np.unique(blocks)
    if names.size < 3:
        return full, None, None, int(names.size)
    left_out = np.array([statistic(everything[blocks != name]) for name in names])
    scale = float(np.sqrt((names.size - 1) / names.size * np.sum((left_out - left_out.mean()) ** 2)))
    half = float(stats.t.ppf((1 + confidence) / 2, names.size - 1)) * scale
    return full, full - half, full + half, int(names.size)
