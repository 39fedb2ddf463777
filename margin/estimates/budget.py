"""First budget: what each factor, frozen or halved, does to error and yield, on the same draws."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from margin.case.build import with_changes
from margin.case.types import Case
from margin.estimates.intervals import section_half_width
from margin.propagation.draws import StreamSource
from margin.propagation.factors import Factor
from margin.propagation.plan import Plan, plan_of
from margin.propagation.run import Model, Progress, block_errors, default_workers, in_threads
from margin.propagation.tally import Frame, judge, require_numbers

Array = NDArray[np.float64]

BUDGET_UNITS = 2000
CHANGES: dict[str, float] = {"frozen": 0.0, "halved": 0.5}
LEADING_SHARE = 0.95
"""The error of the budget is the one that 95 % of all readings stay below."""

ROUNDING = 1e-9
"""Changes of the error below this share of the span are rounding of the arithmetic, not an effect."""


@dataclass(frozen=True)
class Cause:
    """What a budget line is about: a factor, or what is not known of it. `key` names what is scaled."""

    name: str
    part: str
    level: str
    key: str


def causes_of(factors: tuple[Factor, ...]) -> tuple[Cause, ...]:
    """Causes in the order of the chain.

    Draws that scale one quantity (an offset along x and y) are one cause. Which branch a load comes from is no
    tolerance and has no line.
    """
    found: dict[str, Cause] = {}
    for factor in factors:
        if factor.quantity == "use.direction_draw":
            continue
        name = factor.name
        if factor.scales is not None:
            name = f"{factor.role}.{factor.scales} (each {factor.level})"
        found.setdefault(name, Cause(name, factor.role, factor.level, factor.name))
        if factor.measured_on is not None:
            known = factor.knowledge_name
            found[known] = Cause(known, factor.role, "common", known)
    return tuple(found.values())


@dataclass(frozen=True)
class _Changed:
    """Yield and 95 % of |error| of one changed case: (section, option)."""

    conforming: Array
    error: Array
    ratio: Array


def budget_of(model: Model, *, workers: int | None = None, progress: Progress | None = None) -> pd.DataFrame:
    """Budget of every option; see `Results.budget` for the columns.

    The units are a study of their own of at most BUDGET_UNITS units with the same seed, cut into sections;
    a change is compared with the unchanged case on the same draws in each section, and the scatter of that
    difference between sections gives its interval. All changes share the draws, which are kept: what is held
    in memory is bounded by BUDGET_UNITS.
    """
    case = model.case
    smaller = with_changes(case, {"study.units": min(case.study.units, BUDGET_UNITS)})
    small = Model(smaller, model.nominal, model.factors, model.groups, model.classes)
    plan = plan_of(smaller)
    causes = causes_of(model.factors)
    source = small.source(plan.frame.grouping, 0, plan.frame.units)
    changes = [{cause.key: scale} for cause in causes for scale in CHANGES.values()]

    def evaluate(scales: Mapping[str, float]) -> _Changed:
        return _evaluate(small, plan, source.with_scales(scales))

    # the case as it is comes first and alone: it makes the draws that all changes share
    found = [evaluate({})]
    for changed in in_threads(evaluate, changes, default_workers() if workers is None else workers):
        found.append(changed)
        if progress is not None:
            done, whole = len(found) - 1, len(changes)
            progress(BUDGET_UNITS * done // whole - BUDGET_UNITS * (done - 1) // whole)
    return pd.DataFrame(list(_rows(case, causes, found)))


def _evaluate(model: Model, plan: Plan, source: StreamSource) -> _Changed:
    frame, bounds = plan.frame, plan.boundaries
    # a few large lots do not fill every section
    sections = [slice(a, b) for a, b in itertools.pairwise(bounds) if b > a]
    shape = (len(sections), len(model.case.calibrations))
    changed = _Changed(np.empty(shape), np.empty(shape), np.empty(shape))
    errors = block_errors(model, source, frame.units)
    for column, (name, by_condition) in enumerate(errors.by_option.items()):
        require_numbers(name, frame, by_condition, 0)
        for row, section in enumerate(sections):
            own = [e[section] for e in by_condition]
            changed.conforming[row, column] = _conforming(model.case, frame, own)
            size = np.concatenate([np.abs(e).reshape(-1, frame.loads.size) for e in own])
            changed.error[row, column] = np.quantile(size, LEADING_SHARE)
            changed.ratio[row, column] = np.quantile(size / frame.permissible, LEADING_SHARE)
    return changed


def _conforming(case: Case, frame: Frame, by_condition: list[Array]) -> float:
    judged = judge(frame, by_condition)
    if case.requirement.counts == "readings":
        return float(judged.within.mean() / frame.readings)
    if case.requirement.counts == "units by share of readings":
        return float(judged.by_share.mean())
    return float(judged.everywhere.mean())


def _rows(case: Case, causes: tuple[Cause, ...], found: list[_Changed]) -> Iterator[dict[str, object]]:
    confidence = case.requirement.confidence
    conforming = np.stack([f.conforming for f in found], axis=1)
    error = np.stack([f.error for f in found], axis=1)
    ratio = np.stack([f.ratio for f in found], axis=1)
    yield_change, error_change = conforming - conforming[:, :1], error - error[:, :1]
    yield_half = section_half_width(yield_change, confidence)
    error_half = section_half_width(error_change, confidence)
    resolution = np.maximum(error_half, ROUNDING * case.span)
    mean_yield, mean_error, mean_ratio = conforming.mean(axis=0), error.mean(axis=0), ratio.mean(axis=0)
    gain, loss = yield_change.mean(axis=0), error_change.mean(axis=0)
    for column, option in enumerate(case.calibrations):
        for position, change in enumerate(CHANGES):
            rows = 1 + np.arange(len(causes)) * len(CHANGES) + position
            ranks = _ranks(loss[rows, column], resolution[rows, column])
            for cause, row, rank in zip(causes, rows, ranks, strict=True):
                moved = abs(loss[row, column]) > resolution[row, column]
                moved |= abs(gain[row, column]) > yield_half[row, column]
                yield {
                    "option": option.name,
                    "factor": cause.name,
                    "part": cause.part,
                    "level": cause.level,
                    "change": change,
                    "yield": mean_yield[row, column],
                    "yield_change": gain[row, column],
                    "yield_change_low": gain[row, column] - yield_half[row, column],
                    "yield_change_high": gain[row, column] + yield_half[row, column],
                    "error_N": mean_error[row, column],
                    "error_ratio": mean_ratio[row, column],
                    "error_change_N": loss[row, column],
                    "error_change_N_low": loss[row, column] - error_half[row, column],
                    "error_change_N_high": loss[row, column] + error_half[row, column],
                    "rank": int(rank),
                    "verdict": "resolved" if moved else "below resolution",
                }


def _ranks(change: Array, half: Array) -> NDArray[np.int64]:
    """Rank by how much the error falls; causes whose intervals overlap the better one's share its rank."""
    high = change - half
    better = (change + half)[None, :] < high[:, None]
    return np.asarray(1 + np.count_nonzero(better, axis=1))
