"""Error and yield with one factor or group changed, on the same draws: what an engineer can act on.

Changes of single causes do not add up: an interaction of two belongs to neither alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import stdtrit

from margin.case.types import Case
from margin.estimates.budget_causes import FIRST_CHANGES, LOOSER, Cause, causes_of
from margin.estimates.budget_plan import BUDGET_UNITS, budget_frame, cluster_units
from margin.estimates.paired_changes import (
    NO_GAINS,
    Gains,
    Quantile,
    change_of_quantile,
    holm,
    leading,
    p_of_mean,
    p_of_yield,
    pooled_quantile,
    ranks,
    yield_ends,
)
from margin.estimates.sensitivity.grouping import By
from margin.propagation.block import block_errors
from margin.propagation.draws import StreamSource
from margin.propagation.model import Model
from margin.propagation.run_result import Progress
from margin.propagation.tally import ROUNDING, EvaluationError, Frame, by_reading, judge, require_numbers
from margin.propagation.threads import default_workers, in_threads
from margin.propagation.variants import Variant

Array = NDArray[np.float64]

NO_NUMBER = "no number: the chain has no output there"
RESOLVED, BELOW = "resolved", "below resolution"

FEW = 16
"""Units by which most changes are told from no change at all."""


@dataclass(frozen=True)
class _Population:
    """Pooled units of one case with one option.

    errors      for each condition of use (unit, condition, loading, reading, load), N
    conforming  (unit,) whether each unit conforms, or the share of its readings that does
    error       LEADING_SHARE quantile of |error| over all readings, N, with the influence of each cluster
    ratio       the same of |error| relative to the permissible error, without influences
    """

    errors: list[Array]
    conforming: Array
    error: Quantile
    ratio: float


@dataclass(frozen=True)
class _Change:
    """Effect of a change with one option, against the unchanged case on the same draws.

    gains      of units; freedom: degrees of freedom of the variance of the error change; error_sd: its root, N
    quantile   LEADING_SHARE quantile of |error| of the changed case, N
    """

    conforming: float
    quantile: Quantile
    ratio: float
    gains: Gains
    error_change: float
    error_sd: float
    freedom: float

    @classmethod
    def without_number(cls, clusters: int) -> _Change:
        nan = float("nan")
        gains = Gains(nan, nan, float(clusters))
        return cls(nan, Quantile(nan, np.zeros(clusters), 0.0), nan, gains, nan, nan, clusters - 1.0)


def budget_of(
    model: Model,
    *,
    by: Sequence[By] = ("factor",),
    changes: Sequence[str] = FIRST_CHANGES,
    workers: int | None = None,
    progress: Progress | None = None,
) -> pd.DataFrame:
    """Budget of every option; see `Results.budget` for the columns.

    by       what makes a line
    changes  of EVERY_CHANGE; a change by part grades has lines only for parts that come in grades

    The units are a study of their own with the same seed (see `budget_frame`). Yield and error are those of all its
    units pooled; a change is compared with the unchanged case on the same draws, and the scatter of the difference
    between independent clusters of units gives its interval (see `paired_changes`).

    Each interval holds by itself at the confidence of the requirement. Verdicts and ranks look at all causes at
    once: in a table, the lines of one option, grouping and change, the probability that any cause without effect
    is 'resolved' is at most 1 - confidence (Holm), and that the cause which leads does not rank first, alone or
    tied, half of that.

    All changes share the draws, which are kept: memory is bounded by BUDGET_UNITS.
    """
    case = model.case
    frame = budget_frame(case)
    clusters = frame.units // cluster_units(case)
    lines = [
        (cause, change, cause.scales(change))
        for one in by
        for cause in causes_of(model.factors, one)
        for change in changes
        if cause.scales(change)
    ]
    trials = frame.units * (frame.readings if case.requirement.counts == "readings" else 1)
    source = model.source(frame.grouping, 0, frame.units)
    # the case as it is comes first and alone: it makes the draws that all changes share
    unchanged = list(_evaluate(model, frame, clusters, source))

    def evaluate(scales: Mapping[str, float]) -> list[_Change]:
        try:
            with np.errstate(all="ignore"):
                found = _evaluate(model, frame, clusters, source.varied(Variant(scales)))
                return [
                    _compared(frame, clusters, trials, *pair) for pair in zip(unchanged, found, strict=True)
                ]
        except EvaluationError:
            # a larger spread may reach where the chain has no output; the other lines stand
            return [_Change.without_number(clusters)] * len(unchanged)

    found: list[list[_Change]] = []
    changed_scales = [scales for _, _, scales in lines]
    for changed in in_threads(evaluate, changed_scales, default_workers() if workers is None else workers):
        found.append(changed)
        if progress is not None:
            done, whole = len(found), len(lines)
            progress(BUDGET_UNITS * done // whole - BUDGET_UNITS * (done - 1) // whole)
    return pd.DataFrame(list(_rows(case, [(cause, change) for cause, change, _ in lines], found)))


def _evaluate(model: Model, frame: Frame, clusters: int, source: StreamSource) -> Iterator[_Population]:
    errors = block_errors(model, source, frame.units)
    for name, by_condition in errors.by_option.items():
        require_numbers(name, frame, by_condition, 0)
    for by_condition in errors.by_option.values():
        sizes = [np.abs(by_reading(e)) for e in by_condition]
        ratios = [(size / frame.permissible[:, np.newaxis]).ravel() for size in sizes]
        yield _Population(
            by_condition,
            _conforming(model.case, frame, by_condition),
            pooled_quantile([size.reshape(-1, frame.units) for size in sizes], clusters),
            leading(np.concatenate(ratios)),
        )


def _conforming(case: Case, frame: Frame, by_condition: list[Array]) -> Array:
    """Whether each unit conforms, or the share of its readings that does."""
    judged = judge(frame, by_condition)
    if case.requirement.counts == "readings":
        return judged.within / frame.readings
    by_share = case.requirement.counts == "units by share of readings"
    return np.asarray(judged.by_share if by_share else judged.everywhere, dtype=np.float64)


def _compared(frame: Frame, clusters: int, trials: int, before: _Population, after: _Population) -> _Change:
    same = all(
        _same(one, two, ROUNDING * frame.span) for one, two in zip(before.errors, after.errors, strict=True)
    )
    error_sd, freedom = change_of_quantile(before.error, after.error)
    return _Change(
        float(after.conforming.mean()),
        after.error,
        after.ratio,
        # a change that moves no reading does nothing for certain, not by chance
        NO_GAINS if same else Gains.of(after.conforming - before.conforming, clusters, trials),
        after.error.value - before.error.value,
        0.0 if same else error_sd,
        freedom,
    )


def _same(before: Array, after: Array, resolution: float) -> bool:
    """Whether errors are the same but for rounding; a few units tell most changes."""
    return all(
        bool(np.all(np.abs(after[part] - before[part]) <= resolution))
        for part in (slice(FEW), slice(FEW, None))
    )


def _rows(
    case: Case, lines: Sequence[tuple[Cause, str]], found: list[list[_Change]]
) -> Iterator[dict[str, object]]:
    tables: dict[tuple[str, str], list[int]] = {}
    for place, (cause, change) in enumerate(lines):
        tables.setdefault((cause.by, change), []).append(place)
    for column, option in enumerate(case.calibrations):
        numbers = _numbers(case, [each[column] for each in found])
        for (_, change), places in tables.items():
            rank, verdict = _together(case, change, [found[place][column] for place in places])
            numbers["rank"][places], numbers["verdict"][places] = rank, verdict
        for row, (cause, change) in enumerate(lines):
            yield {
                "option": option.name,
                "by": cause.by,
                "factor": cause.name,
                "part": cause.part,
                "level": cause.level,
                "change": change,
                **{name: values[row] for name, values in numbers.items()},
            }


def _numbers(case: Case, changes: list[_Change]) -> dict[str, NDArray[Any]]:
    """Columns of one option; rank and verdict are left to `_together`."""
    confidence = case.requirement.confidence
    gain, loss, trials = _gains(changes)
    low, high = yield_ends(gain, loss, trials, confidence)
    moved = _column(changes, "error_change")
    half = stdtrit(_column(changes, "freedom"), 0.5 * (1.0 + confidence)) * _column(changes, "error_sd")
    return {
        "yield": _column(changes, "conforming"),
        "yield_change": gain - loss,
        "yield_change_low": low,
        "yield_change_high": high,
        "error_N": np.array([each.quantile.value for each in changes]),
        "error_ratio": _column(changes, "ratio"),
        "error_change_N": moved,
        "error_change_N_low": moved - half,
        "error_change_N_high": moved + half,
        "rank": np.ones(len(changes), dtype=np.int64),
        "verdict": np.full(len(changes), NO_NUMBER, dtype=object),
    }


def _together(case: Case, change: str, changes: list[_Change]) -> tuple[NDArray[np.int64], list[str]]:
    """Ranks and verdicts of the causes of one table."""
    confidence, resolution = case.requirement.confidence, ROUNDING * case.span
    moved = _column(changes, "error_change")
    by_error = p_of_mean(
        np.where(np.abs(moved) > resolution, moved, 0.0),
        _column(changes, "error_sd"),
        _column(changes, "freedom"),
    )
    tests = np.concatenate([by_error, p_of_yield(*_gains(changes))])
    # a line without a number is no test
    valid = ~np.isnan(tests)
    adjusted = np.ones(tests.size)
    adjusted[valid] = holm(tests[valid])
    least = adjusted.reshape(2, -1).min(axis=0)
    verdict = [
        NO_NUMBER if np.isnan(each) else RESOLVED if p < 1.0 - confidence else BELOW
        for each, p in zip(moved, least, strict=True)
    ]
    sign = -1.0 if change in ("doubled", LOOSER) else 1.0
    influence = np.stack([each.quantile.influence for each in changes])
    steps = np.array([each.quantile.step for each in changes])
    rank = ranks(sign * moved, sign * influence, steps, resolution, confidence)
    return rank, verdict


def _column(changes: list[_Change], name: str) -> Array:
    return np.array([getattr(each, name) for each in changes])


def _gains(changes: list[_Change]) -> tuple[Array, Array, Array]:
    gain, loss, trials = (
        np.array([getattr(each.gains, name) for each in changes]) for name in ("gain", "loss", "trials")
    )
    return gain, loss, trials
