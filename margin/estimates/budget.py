"""What an engineer can act on: error and yield with a factor or group changed, on the same draws.

Changes one at a time do not add up: what two causes do together belongs to neither alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from margin.case.types import Case
from margin.estimates.intervals import section_half_width
from margin.estimates.labels import FEW_UNITS, budget_name, cause_of
from margin.estimates.part_grades import grades_of
from margin.estimates.sensitivity.grouping import By
from margin.propagation.draws import StreamSource
from margin.propagation.factors import Factor
from margin.propagation.plan import Plan, plan_of
from margin.propagation.run import Model, Progress, block_errors
from margin.propagation.tally import ROUNDING, EvaluationError, Frame, judge, require_numbers
from margin.propagation.threads import default_workers, in_threads

Array = NDArray[np.float64]

BUDGET_UNITS = 2000
CHANGES: dict[str, float] = {"frozen": 0.0, "halved": 0.5, "doubled": 2.0}
TIGHTER, LOOSER = "one grade tighter", "one grade looser"
FIRST_CHANGES = ("frozen", "halved")
EVERY_CHANGE = (*CHANGES, TIGHTER, LOOSER)
NO_NUMBER = "no number: the chain has no output there"

LEADING_SHARE = 0.95
"""The error of the budget is the one that 95 % of all readings stay below."""


@dataclass(frozen=True)
class Cause:
    """What a budget line is about: a factor, what is not known of it, or a group of them.

    by     'factor', 'part', 'level' or 'cause'
    keys   names of the factors that are scaled
    known  names of what is not known of factors, scaled too, but never up: fewer units measured are no tolerance
    grades scale of the spread one part grade tighter and one looser; None where it comes in no grades
    """

    by: By
    name: str
    part: str
    level: str
    keys: tuple[str, ...]
    known: tuple[str, ...] = ()
    grades: tuple[float, float] | None = None

    def scales(self, change: str) -> dict[str, float]:
        """What a change multiplies each spread by; empty where it does not apply."""
        if change in (TIGHTER, LOOSER):
            return {} if self.grades is None else dict.fromkeys(self.keys, self.grades[change == LOOSER])
        scale = CHANGES[change]
        return dict.fromkeys(self.keys if scale > 1.0 else (*self.keys, *self.known), scale)


@dataclass(frozen=True)
class _Member:
    factor: str
    part: str
    level: str
    cause: str
    keys: tuple[str, ...]
    known: tuple[str, ...]
    grades: tuple[float, float] | None


def causes_of(factors: tuple[Factor, ...], by: By = "factor") -> tuple[Cause, ...]:
    """Causes in the order of the chain.

    Draws that scale one quantity (an offset along x and y) are one cause. Which branch a load comes from is no
    tolerance and has no line.
    """
    members = tuple(_members(factors))
    if by == "factor":
        lines: dict[str, Cause] = {}
        for m in members:
            lines.setdefault(m.factor, Cause(by, m.factor, m.part, m.level, m.keys, m.known, m.grades))
        return tuple(lines.values())
    grouped: dict[str, list[_Member]] = {}
    for m in members:
        grouped.setdefault(str(getattr(m, by)), []).append(m)
    return tuple(
        Cause(
            by,
            name,
            name if by == "part" else "",
            name if by == "level" else "",
            tuple(key for m in of for key in m.keys),
            tuple(key for m in of for key in m.known),
        )
        for name, of in grouped.items()
    )


def _members(factors: tuple[Factor, ...]) -> Iterator[_Member]:
    for factor in factors:
        if factor.quantity == "use.direction_draw":
            continue
        name = budget_name(factor)
        yield _Member(
            name, factor.role, factor.level, cause_of(factor), (factor.name,), (), grades_of(factor)
        )
        if factor.measured_on is not None:
            known = factor.knowledge_name
            yield _Member(known, factor.role, "common", FEW_UNITS, (), (known,), None)


@dataclass(frozen=True)
class _Changed:
    """Yield and 95 % of |error| of one changed case: (section, option)."""

    conforming: Array
    error: Array
    ratio: Array

    @classmethod
    def without_number(cls, plan: Plan, options: int) -> _Changed:
        nothing = np.full((len(plan.sections), options), np.nan)
        return cls(nothing, nothing, nothing)


def _smaller(case: Case) -> Case:
    """The case with the units of a budget."""
    return replace(case, study=replace(case.study, units=min(case.study.units, BUDGET_UNITS)))


def budget_units(case: Case) -> int:
    """Units that a budget of the case draws."""
    return plan_of(_smaller(case)).frame.units


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

    The units are a study of their own of at most BUDGET_UNITS units with the same seed, cut into sections;
    a change is compared with the unchanged case on the same draws in each section, and the scatter of that
    difference between sections gives its interval. All changes share the draws, which are kept: what is held
    in memory is bounded by BUDGET_UNITS.
    """
    case = model.case
    smaller = _smaller(case)
    small = replace(model, case=smaller)
    plan = plan_of(smaller)
    lines = [
        (cause, change, cause.scales(change))
        for one in by
        for cause in causes_of(model.factors, one)
        for change in changes
        if cause.scales(change)
    ]
    source = small.source(plan.frame.grouping, 0, plan.frame.units)

    def evaluate(scales: Mapping[str, float]) -> _Changed:
        try:
            with np.errstate(all="ignore"):
                return _evaluate(small, plan, source.with_scales(scales))
        except EvaluationError:
            # a larger spread may reach where the chain has no output; the other lines stand
            return _Changed.without_number(plan, len(case.calibrations))

    # the case as it is comes first and alone: it makes the draws that all changes share
    found = [_evaluate(small, plan, source)]
    changed_scales = [scales for _, _, scales in lines]
    for changed in in_threads(evaluate, changed_scales, default_workers() if workers is None else workers):
        found.append(changed)
        if progress is not None:
            done, whole = len(found) - 1, len(lines)
            progress(BUDGET_UNITS * done // whole - BUDGET_UNITS * (done - 1) // whole)
    return pd.DataFrame(list(_rows(case, [(cause, change) for cause, change, _ in lines], found)))


def _evaluate(model: Model, plan: Plan, source: StreamSource) -> _Changed:
    frame, sections = plan.frame, plan.sections
    shape = (len(sections), len(model.case.calibrations))
    changed = _Changed(np.empty(shape), np.empty(shape), np.empty(shape))
    errors = block_errors(model, source, frame.units)
    for column, (name, by_condition) in enumerate(errors.by_option.items()):
        require_numbers(name, frame, by_condition, 0)
        conforming = _conforming(model.case, frame, by_condition)
        sizes = [np.abs(e) for e in by_condition]
        ratios = [size / frame.permissible for size in sizes]
        for row, section in enumerate(sections):
            changed.conforming[row, column] = conforming[section].mean()
            changed.error[row, column] = _leading([size[section] for size in sizes])
            changed.ratio[row, column] = _leading([ratio[section] for ratio in ratios])
    return changed


def _conforming(case: Case, frame: Frame, by_condition: list[Array]) -> Array:
    """Whether each unit conforms, or the share of its readings that does."""
    judged = judge(frame, by_condition)
    if case.requirement.counts == "readings":
        return judged.within / frame.readings
    by_share = case.requirement.counts == "units by share of readings"
    return np.asarray(judged.by_share if by_share else judged.everywhere, dtype=np.float64)


def _leading(by_condition: list[Array]) -> float:
    """LEADING_SHARE quantile, linear between the values beside it (type 7 of Hyndman and Fan, 1996).

    `np.quantile` spends more on its checks than on a few thousand values.
    """
    values = np.concatenate([each.ravel() for each in by_condition])
    place = LEADING_SHARE * (values.size - 1)
    below = int(place)
    above = min(below + 1, values.size - 1)
    values.partition((below, above))
    return float(values[below] + (place - below) * (values[above] - values[below]))


def _rows(
    case: Case, lines: Sequence[tuple[Cause, str]], found: list[_Changed]
) -> Iterator[dict[str, object]]:
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
    ranked = [(cause.by, change) for cause, change in lines]
    for column, option in enumerate(case.calibrations):
        rank = np.zeros(len(lines), dtype=np.int64)
        for table in dict.fromkeys(ranked):
            of = np.array([k for k, one in enumerate(ranked) if one == table])
            sign = -1.0 if table[1] in ("doubled", LOOSER) else 1.0
            rank[of] = _ranks(sign * loss[1 + of, column], resolution[1 + of, column])
        for row, (cause, change) in enumerate(lines, start=1):
            moved = abs(loss[row, column]) > resolution[row, column]
            moved |= abs(gain[row, column]) > yield_half[row, column]
            yield {
                "option": option.name,
                "by": cause.by,
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
                "rank": int(rank[row - 1]),
                "verdict": _verdict(float(loss[row, column]), bool(moved)),
            }


def _verdict(change: float, moved: bool) -> str:
    if np.isnan(change):
        return NO_NUMBER
    return "resolved" if moved else "below resolution"


def _ranks(change: Array, half: Array) -> NDArray[np.int64]:
    """Rank by how much the error moves; causes whose intervals overlap the better one's share its rank."""
    high = change - half
    better = (change + half)[None, :] < high[:, None]
    return np.asarray(1 + np.count_nonzero(better, axis=1))
