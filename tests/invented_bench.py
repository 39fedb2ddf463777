"""Invented benches of known truth, for what intervals must cover. All values invented."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from margin.bench import figures_of_merit, outlook_of_yield, read_bench, spreads_of
from margin.bench.components import sampling_draws

SENSITIVITY = 2.0e-6
"""S/N, median over sensors; the output is proportional to the load."""
SENSOR, MOUNTING, LOADING, NOISE = 0.08, 0.02, 0.015, 2e-4
"""Relative standard deviations; of the noise as a share of the output at full load."""
DRIFT, DRIFT_SPREAD = 0.02, 0.004
"""Per decade from 1 s, mean over sensors and standard deviation between them."""
LIMIT = 0.12
"""A sensor conforms whose ln(sensitivity) lies within this of the median."""

LOADS = np.array([2.0, 5.0, 10.0, 15.0, 20.0])
HOLD_TIMES = np.array([1.0, 3.0, 10.0, 30.0, 100.0, 300.0, 1000.0])
SENSORS, MOUNTINGS, CYCLES = 6, 3, 4

TRUTH: dict[str, float] = {
    "sensitivity": SENSITIVITY * float(np.exp(0.5 * (SENSOR**2 + MOUNTING**2 + LOADING**2))),
    "ln sensitivity": float(np.log(SENSITIVITY * 10.0)),
    "spread between sensors": SENSOR,
    "spread between mountings": MOUNTING,
    "reload scatter": LOADING,
    "reload scatter by sensor": LOADING,
    "drift per decade": 100 * DRIFT,
    "yield": float(2 * stats.norm.cdf(LIMIT / SENSOR) - 1),
    "yield by draws": float(2 * stats.norm.cdf(LIMIT / np.sqrt(SENSOR**2 + MOUNTING**2 / MOUNTINGS
                                                               + LOADING**2 / (MOUNTINGS * CYCLES))) - 1),
}  # fmt: skip
"""True value of each figure. The last yield is that of the sensors' means over their mountings and cycles."""


@dataclass(frozen=True)
class Interval:
    """Ends of a 95 % interval."""

    low: float
    high: float

    def holds(self, value: float) -> bool:
        return self.low <= value <= self.high


def invented_bench(rng: np.random.Generator) -> pd.DataFrame:
    """Readings of one bench: six sensors, three mountings each, four ascending cycles, one hold a sensor."""
    shape = (SENSORS, MOUNTINGS, CYCLES, LOADS.size)
    gain = (
        SENSOR * rng.standard_normal((SENSORS, 1, 1, 1))
        + MOUNTING * rng.standard_normal((SENSORS, MOUNTINGS, 1, 1))
        + LOADING * rng.standard_normal((SENSORS, MOUNTINGS, CYCLES, 1))
    )
    full = SENSITIVITY * LOADS[-1]
    output = SENSITIVITY * LOADS * np.exp(gain) + NOISE * full * rng.standard_normal(shape)
    sensor, mounting, cycle, load = np.indices(shape).reshape(4, -1)
    cycles = pd.DataFrame(
        {
            "sensor": sensor,
            "mounting": mounting,
            "run": cycle.astype(str),
            "time_s": 2.0 * (load + 1),
            "load_N": LOADS[load],
            "conductance_S": output.ravel(),
        }
    )
    rate = DRIFT + DRIFT_SPREAD * rng.standard_normal((SENSORS, 1))
    held = full * np.exp(gain[:, -1, -1]) * (1 + rate * np.log10(HOLD_TIMES))
    sensor, moment = np.indices(held.shape).reshape(2, -1)
    holds = pd.DataFrame(
        {
            "sensor": sensor,
            "mounting": MOUNTINGS - 1,
            "run": "hold",
            "time_s": HOLD_TIMES[moment],
            "load_N": LOADS[-1],
            "conductance_S": (held + NOISE * full * rng.standard_normal(held.shape)).ravel(),
        }
    )
    return pd.concat([cycles, holds], ignore_index=True).assign(branch="up")


def intervals_of(readings: pd.DataFrame, rng: np.random.Generator) -> dict[str, Interval]:
    """95 % intervals of the figures of `TRUTH` from one bench, by the functions that an engineer calls."""
    data = read_bench(readings)
    merits = {m.name: m for m in figures_of_merit(data, t0=1.0) if m.sensor == "pooled"}
    found = spreads_of(data, "thin film", reference_load=10.0)
    parts = found.components["ln_sensitivity"]
    if parts.mean_low is None or parts.mean_high is None or found.reload is None:
        raise ValueError("an invented bench must show its mean and its reload scatter")
    intervals = {
        "ln sensitivity": Interval(parts.mean_low, parts.mean_high),
        "reload scatter by sensor": Interval(found.reload.low, found.reload.high),
    }
    for name, level in (
        ("spread between sensors", "sensor"),
        ("spread between mountings", "mounting"),
        ("reload scatter", "loading"),
    ):
        intervals[name] = _ends(parts[level].low, parts[level].high)
    for name in ("sensitivity", "drift per decade"):
        intervals[name] = _ends(merits[name].low, merits[name].high)
    centre = TRUTH["ln sensitivity"]
    low, high = centre - LIMIT, centre + LIMIT
    ahead = outlook_of_yield(parts.mean, float(parts["sensor"].sd or 0.0), low, high, (SENSORS,)).iloc[0]
    intervals["yield"] = Interval(float(ahead["share_low"]), float(ahead["share_high"]))
    means = found.parameters.groupby("sensor", observed=True)["ln_sensitivity"].mean().to_numpy(dtype=float)
    intervals["yield by draws"] = _by_draws(means, low, high, rng)
    return intervals


def _by_draws(means: np.ndarray, low: float, high: float, rng: np.random.Generator) -> Interval:
    """Yield of each draw of mean and variance that the sensors' means could stand for."""
    centres, variances = sampling_draws(means[:, None], 4000, rng)
    sds = np.sqrt(variances[:, 0, 0])
    shares = stats.norm.cdf((high - centres[:, 0]) / sds) - stats.norm.cdf((low - centres[:, 0]) / sds)
    ends = np.quantile(shares, [0.025, 0.975])
    return Interval(float(ends[0]), float(ends[1]))


def _ends(low: float | None, high: float | None) -> Interval:
    if low is None or high is None:
        raise ValueError("an invented bench must show every figure with its interval")
    return Interval(low, high)


def coverage(benches: int, seed: int) -> dict[str, int]:
    """How many of so many benches have an interval that holds the truth, by figure."""
    rng = np.random.default_rng(seed)
    hits = dict.fromkeys(TRUTH, 0)
    for _ in range(benches):
        for name, interval in intervals_of(invented_bench(rng), rng).items():
            hits[name] += interval.holds(TRUTH[name])
    return hits
