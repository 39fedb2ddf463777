"""Sobol indices with intervals and verdicts, from the evaluations of a plan."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from margin.estimates.sensitivity.design import Array, SobolDesign
from margin.estimates.sensitivity.estimators import (
    FIRST_ORDER,
    second_order_saltelli,
    total_order_jansen,
    variance,
)
from margin.estimates.sensitivity.evaluations import Evaluations, FailurePolicy, usable_rows
from margin.estimates.sensitivity.indices_result import Interval, SobolIndices
from margin.estimates.sensitivity.intervals import IntervalKind, check_level, half_width, weights

ROUND_OFF = 1e-12


def vary(values: Array) -> NDArray[np.bool_]:
    """Which outputs, last axis, vary by more than round-off: peak-to-peak relative to magnitude.

    A variance does not tell: that of a constant 0.4 is 3e-33, not zero.
    """
    axes = tuple(range(values.ndim - 1))
    low, high = values.min(axis=axes), values.max(axis=axes)
    return np.asarray(high - low > ROUND_OFF * np.maximum(np.abs(low), np.abs(high)))


def constant_reasons(sample: Array, varying: NDArray[np.bool_], outputs: tuple[str, ...]) -> dict[str, str]:
    """Why the indices of an output are NaN, by output; sample (k,) of any one run."""
    return {
        name: f"output {name!r} did not vary (constant {value:.6g}): no share of a variance exists"
        for name, value, moves in zip(outputs, sample, varying, strict=True)
        if not moves
    }


def _interval(batch: Array, kind: IntervalKind, level: float) -> Interval:
    half = half_width(batch[1:], kind, level)
    return Interval(batch[0], batch[0] - half, batch[0] + half)


def _ranks(total: Array, kind: IntervalKind, level: float) -> Array:
    """Rank of each group by total order, (d, k): groups that a paired difference does not part share one."""
    groups, outputs = total.shape[1:]
    ranks = np.full((groups, outputs), np.nan)
    for output in range(outputs):
        values = total[:, :, output]
        if np.isnan(values[0]).any():
            continue
        order = np.argsort(-values[0], kind="stable")
        leader = order[0]
        for place, group in enumerate(order):
            difference = values[:, leader] - values[:, group]
            if difference[0] > half_width(difference[1:], kind, level):
                leader = group
                ranks[group, output] = place + 1
            else:
                ranks[group, output] = ranks[leader, output] if place else 1
    return ranks


def _without_effect(
    a: Array,
    ab: Array,
    magnitude: Array,
    design: SobolDesign,
    evaluations: Evaluations,
    varying: NDArray[np.bool_],
) -> tuple[NDArray[np.bool_], tuple[str, ...]]:
    """Which (d, k) pairs show no effect beyond round-off, and a sentence for each."""
    largest = np.stack([np.abs(one - a).max(axis=0) for one in ab])
    inert = (largest <= ROUND_OFF * magnitude) & varying
    notes = tuple(
        f"group {design.names[g]!r} has no effect at all on output {evaluations.outputs[k]!r}: "
        f"did it reach the model?"
        for g, k in np.argwhere(inert)
    )
    return inert, notes


def sobol_indices(
    evaluations: Evaluations,
    *,
    first: str = "Saltelli 2010",
    interval: IntervalKind = "scramblings",
    level: float = 0.95,
    resamples: int = 200,
    failures: FailurePolicy = "raise",
) -> SobolIndices:
    """First, total and (where planned) second order indices of every output, with intervals.

    first      'Saltelli 2010' or 'Janon 2014', see estimators.py; total order is Jansen 1999
    interval   'scramblings' (jackknife over independent scramblings) or 'bootstrap', see intervals.py
    level      of the intervals
    resamples  of the bootstrap
    failures   'raise', or 'drop' the base rows with a run that gave no finite output

    Raises FailedEvaluations; ValueError for an unknown estimator or an impossible level.
    """
    check_level(level)
    if first not in FIRST_ORDER:
        raise ValueError(f"no first-order estimator {first!r}; there are {', '.join(FIRST_ORDER)}")
    if interval not in ("scramblings", "bootstrap"):
        raise ValueError(f"no interval {interval!r}; there are 'scramblings' and 'bootstrap'")
    if resamples < 20:
        raise ValueError(f"resamples is {resamples}; fewer than 20 give no interval worth printing")
    design = evaluations.design
    kept = usable_rows(evaluations, failures)
    # (r, m, n, k) -> (m, rows kept, k), a copy that may be changed in place
    runs = np.moveaxis(evaluations.values, 1, 0)[:, kept]
    varying, magnitude = vary(runs), np.maximum(runs.max(axis=(0, 1)), -runs.min(axis=(0, 1)))
    reasons = constant_reasons(runs[0, 0], varying, evaluations.outputs)
    runs -= runs.mean(axis=(0, 1))
    runs[:, :, ~varying] = 0.0

    groups = len(design.names)
    a, ab, b = runs[0], runs[1 : groups + 1], runs[-1]
    inert, notes = _without_effect(a, ab, magnitude, design, evaluations, varying)
    row_weights = weights(kept, interval, resamples, design.seed)
    spread = np.where(varying, variance(a, b, row_weights), np.nan)
    scale = spread[:, np.newaxis]
    first_variance = np.where(inert, 0.0, FIRST_ORDER[first](a, b, ab, row_weights))
    total_variance = np.where(inert, 0.0, total_order_jansen(a, ab, row_weights))
    first_share, total_share = first_variance / scale, total_variance / scale
    second = None
    if design.second_order:
        ba = runs[groups + 1 : 2 * groups + 1]
        pairs = second_order_saltelli(a, b, ab, ba, first_variance, row_weights)
        second = _interval(pairs / scale[:, np.newaxis], interval, level)
    return SobolIndices(
        design=design,
        outputs=evaluations.outputs,
        variance=_interval(spread, interval, level),
        first=_interval(first_share, interval, level),
        total=_interval(total_share, interval, level),
        # where an output is constant the contributions are undefined too, not zero
        first_variance=_interval(first_share * scale, interval, level),
        total_variance=_interval(total_share * scale, interval, level),
        first_sum=_interval(first_share.sum(axis=1), interval, level),
        total_sum=_interval(total_share.sum(axis=1), interval, level),
        excess=_interval(total_share - first_share, interval, level),
        second=second,
        rank=_ranks(total_share, interval, level),
        reasons=reasons,
        notes=notes,
        dropped=int((~kept).sum()),
        estimators=(first, "Jansen 1999", "Saltelli 2002" if design.second_order else ""),
        interval=interval,
        level=level,
    )
