"""What more measuring would bring: intervals of spreads, and of a simple yield, against its amount."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from margin.bench.components import Components
from margin.bench.errors import NotMeasurableError
from margin.bench.merits.merit import sd_interval

COUNTS = (5, 6, 8, 10, 15, 20, 30, 50, 100)
DRAWS = 20_000

TOGETHER = "together"
"""Name of all levels of a plan taken as one: what a fresh sensor, mounting and loading scatters by."""


def outlook_of_sd(sd: float, counts: Sequence[int] = COUNTS, confidence: float = 0.95) -> pd.DataFrame:
    """Interval of a standard deviation if `counts` sensors were measured and the same `sd` came out.

    Chi-square (NIST/SEMATECH e-Handbook 7.2.3.1). One row a count: sensors, sd, low, high, low_factor,
    high_factor (ends over sd) and mean_half_width, the half-width of the mean's Student t interval. Raises
    ValueError for a count below 2.
    """
    _check(counts)
    rows = []
    for count in counts:
        low, high = sd_interval(1.0, count - 1, confidence)
        half = float(stats.t.ppf((1 + confidence) / 2, count - 1)) * sd / np.sqrt(count)
        rows.append((count, sd, low * sd, high * sd, low, high, half))
    columns = ["sensors", "sd", "low", "high", "low_factor", "high_factor", "mean_half_width"]
    return pd.DataFrame(rows, columns=columns)


def predictive_share(mean: float, sd: float, count: int, low: float, high: float) -> float:
    """Chance that one further sensor lies within [low, high], given mean and sd of `count` sensors.

    T(n - 1)((high - mean) / (sd sqrt(1 + 1/n))) less the same at `low`: the Student t predictive of a normal
    population (Gelman et al., Bayesian Data Analysis, 3.2); limits may be infinite.
    """
    scale = sd * np.sqrt(1 + 1 / count)
    ends = stats.t.cdf((np.array([low, high]) - mean) / scale, count - 1)
    return float(ends[1] - ends[0])


def outlook_of_yield(
    mean: float,
    sd: float,
    low: float,
    high: float,
    counts: Sequence[int] = COUNTS,
    confidence: float = 0.95,
    seed: int = 1,
) -> pd.DataFrame:
    """Yield of a normal quantity within limits, and its interval, if `counts` sensors gave this mean and sd.

    Outer draws of what the sample leaves open: sd^2 = (n - 1) s^2 / chi2(n - 1), mean ~ N(m, sd^2 / n)
    (JCGM 101, 6.4.9.2 gives the same t). One row a count: sensors, share (with mean and sd as they are),
    predictive (Student t), share_low, share_high. The draws are shared by all counts through common
    quantiles, so that the rows differ by the count alone. Raises ValueError for a count below 2 or sd <= 0.
    """
    _check(counts)
    if sd <= 0:
        raise ValueError(f"the standard deviation must be above zero (got {sd:g})")
    rng = np.random.default_rng(seed)
    level, normal = rng.random(DRAWS), rng.standard_normal(DRAWS)
    share = float(stats.norm.cdf((high - mean) / sd) - stats.norm.cdf((low - mean) / sd))
    rows = []
    for count in counts:
        sds = sd * np.sqrt((count - 1) / stats.chi2.ppf(level, count - 1))
        means = mean + sds / np.sqrt(count) * normal
        shares = stats.norm.cdf((high - means) / sds) - stats.norm.cdf((low - means) / sds)
        ends = np.quantile(shares, [(1 - confidence) / 2, (1 + confidence) / 2])
        rows.append((count, share, predictive_share(mean, sd, count, low, high), ends[0], ends[1]))
    return pd.DataFrame(rows, columns=["sensors", "share", "predictive", "share_low", "share_high"])


def outlook_of_components(
    components: Components,
    plans: Sequence[tuple[int, int, int]],
    *,
    levels: tuple[str, str, str] = ("sensor", "mounting", "loading"),
    confidence: float = 0.95,
    seed: int = 1,
) -> pd.DataFrame:
    """Expected interval of each spread under plans of (sensors, mountings of each, cycles of each mounting).

    For a balanced plan the mean squares expected from the present estimates are drawn from their chi-square
    distributions and each gets its generalised interval; the mean ends are reported. One row a plan and
    level, and one for all levels `together` (a fresh sensor, mounting and loading): sensors, mountings, cycles,
    level, sd, low, high, ratio (high over low; infinite where low is 0), note. A level that the plan gives no
    degree of freedom reads so in `note`; its spread then counts as that of the level above. Raises
    NotMeasurableError where none of the levels was measured.
    """
    known = {c.level: c.variance for c in components.components if c.variance is not None}
    if not any(level in known for level in levels):
        raise NotMeasurableError(
            f"none of {', '.join(levels)} is measured: there is nothing to look ahead from"
        )
    variances = np.array([known.get(level, 0.0) for level in levels])
    sds = [*np.sqrt(variances), np.sqrt(variances.sum())]
    rows: list[tuple[object, ...]] = []
    for sensors, mountings, cycles in plans:
        dof = np.array([sensors - 1, sensors * (mountings - 1), sensors * mountings * (cycles - 1)])
        size = np.array([mountings * cycles, cycles, 1])
        expected = np.cumsum((variances * size)[::-1])[::-1]
        ends = _expected_ends(expected, dof, size, confidence, seed)
        for level, sd, found in zip((*levels, TOGETHER), sds, ends, strict=True):
            low, high, ratio, note = None, None, None, f"not measurable with one {level}"
            if found is not None:
                low, high = found
                ratio, note = high / low if low > 0 else float("inf"), ""
            elif level == TOGETHER:
                note = f"not measurable with one {levels[0]}"
            rows.append((sensors, mountings, cycles, level, float(sd), low, high, ratio, note))
    columns = ["sensors", "mountings", "cycles", "level", "sd", "low", "high", "ratio", "note"]
    return pd.DataFrame(rows, columns=columns)


def _expected_ends(
    expected: np.ndarray[tuple[int], np.dtype[np.float64]],
    dof: np.ndarray[tuple[int], np.dtype[np.int64]],
    size: np.ndarray[tuple[int], np.dtype[np.int64]],
    confidence: float,
    seed: int,
    benches: int = 200,
    draws: int = 2000,
) -> list[tuple[float, float] | None]:
    """Mean ends of the standard deviations over imagined benches, of each level and of all together.

    A level without freedom is left out: the mean square of the level above then expects its variance too.
    None for such a level, and for all together where the outermost is one. The draws are the same quantiles for
    every plan (a Latin hypercube over the levels), so that plans differ by their counts alone.
    """
    kept = np.flatnonzero(dof >= 1)
    found: list[tuple[float, float] | None] = [None] * (dof.size + 1)
    if not kept.size:
        return found
    rng = np.random.default_rng(seed)
    outer, inner = (
        rng.permuted(np.tile((np.arange(count) + 0.5) / count, (dof.size, 1)), axis=1)[kept]
        for count in (benches, draws)
    )
    free = dof[kept][:, None]
    squares = expected[kept][:, None] * stats.chi2.ppf(outer, free) / free
    pivots = squares[:, :, None] * (free / stats.chi2.ppf(inner, free))[:, None, :]
    below = np.concatenate([pivots[1:], np.zeros((1, benches, draws))])
    variances = np.maximum((pivots - below) / size[kept][:, None, None], 0.0)
    both = np.concatenate([variances, variances.sum(axis=0, keepdims=True)])
    tails = [(1 - confidence) / 2, (1 + confidence) / 2]
    low, high = np.quantile(np.sqrt(both), tails, axis=2).mean(axis=2)
    for place, level in enumerate(kept):
        found[level] = (float(low[place]), float(high[place]))
    if kept[0] == 0:
        found[-1] = (float(low[-1]), float(high[-1]))
    return found


def _check(counts: Sequence[int]) -> None:
    small = [count for count in counts if count < 2]
    if small:
        raise ValueError(f"a spread needs two or more sensors (got {small[0]} in counts)")
