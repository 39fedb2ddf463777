"""Error and yield with one factor or group changed, on the same draws: what an engineer can act on.

Changes of single causes do not add up: an interaction of two belongs to neither alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import stdtrit

from margin.backends.units import unit_engine
from margin.case.types import Case
from margin.estimates.budget_causes import FIRST_CHANGES, LOOSER, Cause, causes_of
from margin.estimates.budget_plan import FEW_READINGS, budget_frame, cluster_units, looks_of
from margin.estimates.change_sums import ChangeSums
from margin.estimates.paired_changes import (
    NO_GAINS,
    Gains,
    Quantiles,
    holm,
    p_of_mean,
    p_of_yield,
    quantile_of_sizes,
    quantiles_of,
    yield_ends,
)
from margin.estimates.sensitivity.grouping import By
from margin.propagation.block import block_errors
from margin.propagation.frame import Frame
from margin.propagation.model import Model
from margin.propagation.outcomes import Asked, Outcomes, UnitEngine
from margin.propagation.plan import default_block
from margin.propagation.run_result import Progress
from margin.propagation.tally import ROUNDING, EvaluationError, require_numbers
from margin.propagation.threads import default_workers, in_threads
from margin.propagation.variants import Variant

Array = NDArray[np.float64]
Counts = NDArray[np.int64]

NO_OUTPUT = "no number"
NO_NUMBER = f"{NO_OUTPUT}: the chain has no output there"
RESOLVED, BELOW = "resolved", "below resolution"

UNITS_AT_ONCE = 1024
"""Units whose draws stay in the cache of a core while one variant after the other takes them."""

PILOT = 1024
"""Units by which the quantile of each variant is placed, so that readings beyond can be counted."""

LEADING = 10
"""Causes of a table that are to be settled."""

NEGLIGIBLE = 0.01
"""A change of the error by certainly less than that share of it is settled too, where a study asks for its causes."""


BUDGET_COLUMNS = (
    "option", "by", "factor", "part", "level", "change", "yield", "yield_change", "yield_change_low",
    "yield_change_high", "error_N", "error_change_N", "error_change_N_low",
    "error_change_N_high", "rank", "verdict", "units",
)  # fmt: skip


@dataclass(frozen=True)
class _Line:
    cause: Cause
    change: str


@dataclass(frozen=True)
class _Numbers:
    """Columns of one option, one entry a line; NaN where a change has no number."""

    conforming: Array
    quantile: Array
    moved: Array
    error: Array
    freedom: Array
    gains: tuple[Array, Array, Array]
    rank: NDArray[np.int64]
    verdict: NDArray[Any]

    def half(self, confidence: float) -> Array:
        """Half widths of the intervals of the change of the error, N."""
        return np.asarray(stdtrit(self.freedom, 0.5 * (1.0 + confidence)) * self.error)


def budget_of(
    model: Model,
    *,
    by: Sequence[By] = ("factor",),
    changes: Sequence[str] = FIRST_CHANGES,
    negligible: float = NEGLIGIBLE,
    workers: int | None = None,
    progress: Progress | None = None,
) -> pd.DataFrame:
    """Budget of every option; see `Results.budget` for the columns.

    by        what makes a line
    changes   of EVERY_CHANGE; a change by part grades has lines only for parts that come in grades
    negligible  share of the error: a change certainly below it need not be resolved
    progress  called with the number of units just evaluated under every change

    The units are a study of their own with the same seed (see `budget_frame`). Yield and error are those of all its
    units pooled; a change is compared with the unchanged case on the same draws, and the scatter of the difference
    between independent clusters of units gives its interval (see `paired_changes`). Units are added until the
    leading causes of every table are settled (see `_settled`), or the budget of units is spent.

    Each interval holds by itself at the confidence of the requirement. Verdicts and ranks look at all causes at
    once: in a table, the lines of one option, grouping and change, the probability that any cause without effect
    is 'resolved' is at most 1 - confidence (Holm), and that the cause which leads does not rank first, alone or
    tied, half of that.

    Without rows where nothing varies. Raises EvaluationError where the case as it is gives no number.
    """
    case = model.case
    lines = [
        _Line(cause, change)
        for one in by
        for cause in causes_of(model.factors, one, model.groups)
        for change in changes
        if cause.scales(change)
    ]
    if not lines:
        return pd.DataFrame(columns=list(BUDGET_COLUMNS))
    variants = [Variant(), *(Variant(line.cause.scales(line.change)) for line in lines)]
    whole = budget_frame(case)
    engine = unit_engine(model, whole, len(variants))
    few = whole.units * whole.readings * len(case.calibrations) * len(variants) <= FEW_READINGS
    ample = engine.fast or few
    frame, cluster = budget_frame(case, ample), cluster_units(case, ample)
    engine = engine.with_frame(frame)
    threads = default_workers() if workers is None else workers
    placed = min(-(-min(PILOT, frame.units) // cluster) * cluster, frame.units)
    sums = _first_units(model, engine, frame, variants, placed, cluster, threads)
    if progress is not None:
        progress(placed)
    size = UNITS_AT_ONCE if engine.fast else min(default_block(case), UNITS_AT_ONCE)
    size = max(size // cluster, 1) * cluster
    numbers: list[_Numbers] = []
    for begin, end in pairwise((0, *looks_of(frame.units, cluster, ample))):
        blocks = [(start, min(size, end - start)) for start in range(max(begin, placed), end, size)]

        def evaluate(block: tuple[int, int]) -> int:
            with np.errstate(all="ignore"):
                sums.add(engine, variants, *block)
            return block[1]

        for done in in_threads(evaluate, blocks, threads):
            if progress is not None:
                progress(done)
        if sums.failed[0]:
            _raise_failure(model, frame)
        numbers = [_numbers(sums, lines, option) for option in range(len(case.calibrations))]
        if all(_settled(case, each, lines, negligible) for each in numbers):
            break
    return pd.DataFrame(list(_rows(case, lines, numbers, sums.units)))


def _first_units(
    model: Model,
    engine: UnitEngine,
    frame: Frame,
    variants: Sequence[Variant],
    units: int,
    cluster: int,
    threads: int,
) -> ChangeSums:
    """Sums over the first units, by which the leading quantile of |error| of each variant is placed; where there is no
    number its threshold is infinite."""

    def thresholds(sizes: Counts) -> Array:
        return np.array([quantile_of_sizes(each, frame.bins) for each in sizes])

    def of(some: Sequence[Variant]) -> list[Outcomes | None]:
        with np.errstate(all="ignore"):
            return list(engine.outcomes(0, units, some, Asked(sizes=True, placed=thresholds)))

    size = -(-len(variants) // threads)
    parts = [variants[k : k + size] for k in range(0, len(variants), size)]
    found = [each for part in in_threads(of, parts, threads) for each in part]
    none = np.full(len(model.case.calibrations), np.inf)
    placed = [none if each is None or each.sizes is None else thresholds(each.sizes) for each in found]
    sums = ChangeSums(model.case, frame, cluster, np.array(placed))
    sums.add_outcomes(enumerate(found), units)
    return sums


def _raise_failure(model: Model, frame: Frame) -> None:
    """EvaluationError for the first unit of the unchanged case whose error is not a number."""
    step = default_block(model.case)
    for start in range(0, frame.units, step):
        count = min(step, frame.units - start)
        errors = block_errors(model, model.source(frame.grouping, start, count), count)
        for name, by_condition in errors.by_option.items():
            require_numbers(name, frame, by_condition, start)
    raise EvaluationError("a force error is not a number in the compiled kernel alone: omit `--compiled`")


def _numbers(sums: ChangeSums, lines: Sequence[_Line], option: int) -> _Numbers:
    """Numbers of one option, from the units summed so far."""
    case = sums.case
    units, each = sums.units, float(sums.each)
    found = quantiles_of(sums.sizes[:, option], sums.frame.bins, sums.beyond[option])
    error, freedom = found.changes()
    bad = sums.failed[1:]
    same = np.array([not sums.changed(n + 1, option) for n in range(len(lines))], dtype=np.bool_)
    gains = [
        NO_GAINS
        if still
        else Gains.of_sums(
            sums.gained[n, option] / each,
            sums.lost[n, option] / each,
            float(sums.squares[n, option]) / each**2,
            units,
            sums.clusters,
            units * each,
        )
        for n, still in enumerate(same, 1)
    ]
    gain, loss, trials = (np.array([getattr(g, name) for g in gains]) for name in ("gain", "loss", "trials"))
    gain, loss = np.where(bad, np.nan, gain), np.where(bad, np.nan, loss)
    moved = np.where(bad, np.nan, found.values[1:] - found.values[0])
    numbers = _Numbers(
        np.where(bad, np.nan, sums.conforming[1:, option] / (units * each)),
        np.where(bad, np.nan, found.values[1:]),
        moved,
        np.where(same, 0.0, error[1:]),
        np.where(bad, sums.clusters - 1.0, freedom[1:]),
        (gain, loss, np.where(bad, float(sums.clusters), trials)),
        np.ones(len(lines), dtype=np.int64),
        np.full(len(lines), NO_NUMBER, dtype=object),
    )
    for places in _tables(lines):
        rank, verdict = _together(
            case, lines[places[0]].change, numbers, found, np.array(places), bad[places]
        )
        numbers.rank[places], numbers.verdict[places] = rank, verdict
    return numbers


def _tables(lines: Sequence[_Line]) -> list[list[int]]:
    """Lines that are compared with each other: of one grouping and change."""
    tables: dict[tuple[str, str], list[int]] = {}
    for place, line in enumerate(lines):
        tables.setdefault((line.cause.by, line.change), []).append(place)
    return list(tables.values())


def _settled(case: Case, numbers: _Numbers, lines: Sequence[_Line], negligible: float) -> bool:
    """Whether in every table each of the LEADING largest changes is resolved, or negligible for certain."""
    half = numbers.half(case.requirement.confidence)
    before = numbers.quantile - numbers.moved
    small = np.abs(numbers.moved) + half <= negligible * np.abs(before)
    settled = small | (numbers.verdict != BELOW)
    for places in _tables(lines):
        size = np.nan_to_num(np.abs(numbers.moved[places]))
        if not settled[places][np.argsort(-size, kind="stable")[:LEADING]].all():
            return False
    return True


def _together(
    case: Case,
    change: str,
    numbers: _Numbers,
    found: Quantiles,
    places: NDArray[np.int64],
    bad: NDArray[np.bool_],
) -> tuple[NDArray[np.int64], list[str]]:
    """Ranks and verdicts of the causes of one table, lines `places`; bad: those without a number."""
    confidence, resolution = case.requirement.confidence, ROUNDING * case.span
    moved = numbers.moved[places]
    by_error = p_of_mean(
        np.where(np.abs(moved) > resolution, moved, np.where(bad, np.nan, 0.0)),
        numbers.error[places],
        numbers.freedom[places],
    )
    gain, loss, trials = (each[places] for each in numbers.gains)
    tests = np.concatenate([by_error, p_of_yield(gain, loss, trials)])
    # a line without a number is no test
    valid = ~np.isnan(tests)
    adjusted = np.ones(tests.size)
    adjusted[valid] = holm(tests[valid])
    least = adjusted.reshape(2, -1).min(axis=0)
    verdict = [
        NO_NUMBER if none else RESOLVED if p < 1.0 - confidence else BELOW
        for none, p in zip(bad, least, strict=True)
    ]
    sign = -1.0 if change in ("doubled", LOOSER) else 1.0
    values = found.values.copy()
    values[1:][np.isnan(numbers.moved)] = np.nan
    return Quantiles(values, found.slopes, found.steps, found.beyond).ranks(
        places + 1, sign, resolution, confidence
    ), verdict


def _rows(
    case: Case, lines: Sequence[_Line], numbers: Sequence[_Numbers], units: int
) -> Iterator[dict[str, object]]:
    confidence = case.requirement.confidence
    for option, own in zip(case.calibrations, numbers, strict=True):
        low, high = yield_ends(*own.gains, confidence)
        half = own.half(confidence)
        columns = {
            "yield": own.conforming,
            "yield_change": own.gains[0] - own.gains[1],
            "yield_change_low": low,
            "yield_change_high": high,
            "error_N": own.quantile,
            "error_change_N": own.moved,
            "error_change_N_low": own.moved - half,
            "error_change_N_high": own.moved + half,
            "rank": own.rank,
            "verdict": own.verdict,
        }
        for row, line in enumerate(lines):
            cause = line.cause
            yield {
                "option": option.name,
                "by": cause.by,
                "factor": cause.name,
                "part": cause.part,
                "level": cause.level,
                "change": line.change,
                **{name: values[row] for name, values in columns.items()},
                "units": units,
            }
