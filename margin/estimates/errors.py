"""Error percentiles by load and condition, with intervals, in newtons and in percent."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import stdtrit

from margin.estimates.yield_result import Estimate
from margin.propagation.histogram import Bins, mean_and_sd, quantile
from margin.propagation.tally import RATIO_BINS, Frame, Tally

Array = NDArray[np.float64]
Counts = NDArray[np.int64]

PERCENTILES = {
    "p0_5": 0.005, "p2_5": 0.025, "p5": 0.05, "p50": 0.5, "p95": 0.95, "p97_5": 0.975, "p99_5": 0.995,
}  # fmt: skip
ALL = "all"


def magnitudes(counts: Counts, bins: Bins) -> Counts:
    """Counts of |value| from counts of signed values, (..., bins.size)."""
    folded = np.zeros_like(counts)
    folded[..., bins.half] = counts[..., bins.half]
    folded[..., bins.half + 1 :] = counts[..., bins.half + 1 :] + counts[..., : bins.half][..., ::-1]
    return folded


def filled_sections(counts: Counts) -> Counts:
    """The sections (first axis) that hold anything; a few large lots do not fill all of them."""
    filled: Counts = counts[counts.reshape(counts.shape[0], -1).sum(axis=1) > 0]
    return filled


def with_intervals(
    counts: Counts, bins: Bins, q: Array, low: Array, high: Array, confidence: float
) -> tuple[Array, Array, Array]:
    """Quantiles of all sections together, with their intervals.

    counts: (section, load, bin); low, high: (load,). Returns three arrays (load, quantile).

    The share of the values below a quantile scatters between sections; its interval, taken on the scale of the
    logit, where rare shares are nearly normal, is carried to the quantile by the distribution of all sections
    (Woodruff, 'Confidence intervals for medians and other position measures', Journal of the American Statistical
    Association 47, 1952). A quantile of one section alone is biased where it holds few values beyond.
    """
    pooled = counts.sum(axis=0)
    value = quantile(pooled, bins, q, low, high)
    sections = filled_sections(counts)
    below, sizes = _shares_below(sections, bins, value), sections.sum(axis=2)[..., np.newaxis]
    residual = sizes * (below - q)
    number = sections.shape[0]
    if number < 2:
        raise ValueError("an interval from sections needs at least two of them")
    scale = math.sqrt(number / (number - 1.0))
    deviation = scale * np.sqrt((residual**2).sum(axis=0)) / sizes.sum(axis=0)
    reach = stdtrit(number - 1.0, 0.5 * (1.0 + confidence)) * deviation / (q * (1.0 - q))
    centre = np.log(q / (1.0 - q))
    with np.errstate(over="ignore"):  # an interval that leaves nothing out ends at 0
        ends = [1.0 / (1.0 + np.exp(-(centre + side * reach))) for side in (-1.0, 1.0)]
    lower, upper = (
        np.concatenate(
            [
                quantile(p[np.newaxis], bins, e, a, b)
                for p, e, a, b in zip(pooled, end, low[:, None], high[:, None], strict=True)
            ]
        )
        for end in ends
    )
    return value, np.minimum(lower, value), np.maximum(upper, value)


def _shares_below(counts: Counts, bins: Bins, values: Array) -> Array:
    """Share of the values of each section below `values` (load, quantile): (section, load, quantile); a bin that holds
    one counts in part."""
    edges = bins.edges()
    reached = np.cumsum(counts, axis=2)
    place = np.clip(np.searchsorted(edges, values, side="right") - 1, 0, bins.size - 1)
    part = np.clip((values - edges[place]) / (edges[place + 1] - edges[place]), 0.0, 1.0)
    load = np.arange(values.shape[0])[:, np.newaxis]
    inside = counts[:, load, place]
    return np.asarray((reached[:, load, place] - (1.0 - part) * inside) / reached[:, :, -1:])


def errors_frame(frame: Frame, tally: Tally, confidence: float) -> pd.DataFrame:
    """One row a condition and check load; see `OptionResult.errors` for the columns."""
    parts = []
    if len(frame.conditions) > 1:
        for index, condition in enumerate(frame.conditions):
            parts.append(
                _rows(
                    frame, condition, tally.errors[:, index], tally.low[index], tally.high[index], confidence
                )
            )
    pooled = tally.errors.sum(axis=1)
    parts.insert(0, _rows(frame, ALL, pooled, tally.low.min(axis=0), tally.high.max(axis=0), confidence))
    return pd.concat(parts, ignore_index=True)


def _rows(
    frame: Frame, condition: str, counts: Counts, low: Array, high: Array, confidence: float
) -> pd.DataFrame:
    bins, loads = frame.bins, frame.loads
    mean, sd = mean_and_sd(counts.sum(axis=0), bins, low, high)
    columns: dict[str, object] = {
        "condition": condition,
        "load_N": loads,
        "permissible_N": frame.permissible,
        "mean_N": mean,
        "sd_N": sd,
        "smallest_N": low,
        "largest_N": high,
    }
    q = np.array(list(PERCENTILES.values()))
    value, lower, upper = with_intervals(counts, bins, q, low, high, confidence)
    for column, name in enumerate(PERCENTILES):
        columns[f"{name}_N"] = value[:, column]
        columns[f"{name}_N_low"] = lower[:, column]
        columns[f"{name}_N_high"] = upper[:, column]
    largest = np.maximum(np.abs(low), np.abs(high))
    value, lower, upper = with_intervals(
        magnitudes(counts, bins), bins, np.array([0.95]), np.zeros_like(largest), largest, confidence
    )
    columns["p95_abs_N"] = value[:, 0]
    columns["p95_abs_N_low"] = np.maximum(lower[:, 0], 0.0)
    columns["p95_abs_N_high"] = upper[:, 0]
    loaded = loads > 0.0
    columns["p95_abs_reading"] = [
        100.0 * v / load if ok else None for v, load, ok in zip(value[:, 0], loads, loaded, strict=True)
    ]
    columns["p95_abs_span"] = 100.0 * value[:, 0] / frame.span
    return pd.DataFrame(columns)


def largest_ratio(frame: Frame, tally: Tally, target: float, confidence: float) -> Estimate:
    """Largest error of a unit relative to the permissible one, exceeded by (1 - target) of the units."""
    counts = tally.largest[:, None, :]
    zero, top = np.zeros(1), np.array([RATIO_BINS.edges()[-1]])
    value, low, high = with_intervals(counts, RATIO_BINS, np.array([target]), zero, top, confidence)
    return Estimate(float(value[0, 0]), max(float(low[0, 0]), 0.0), float(high[0, 0]))
