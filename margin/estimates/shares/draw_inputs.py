"""Inputs of a case for a general method of sensitivity analysis: one uniform for each single draw of a unit.

`SharesPlan` has a column a factor, and a factor with many draws for one unit (a placement at each load, a sample)
takes its column as the seed of them. A seed serves a method that exchanges columns; one that looks along an input,
as by its quantiles or by its frequency, finds no order in it. Here each of these draws is an input.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from distributions.errors import InvalidArgument
from margin.case.faults import choices
from margin.case.types import Case
from margin.estimates.sensitivity import FailedEvaluations
from margin.estimates.sensitivity.grouping import By
from margin.estimates.sensitivity.scrambled_points import HALF_CELL
from margin.estimates.shares.outputs import output_names
from margin.estimates.shares.plan import DIRECTION, CaseOutputs, SharesPlan
from margin.propagation.model import model_of
from margin.propagation.plan import default_block
from margin.propagation.points_source import PointsEvaluator, PointsSource
from margin.propagation.tally import EvaluationError
from margin.propagation.threads import default_workers, in_threads

Array = NDArray[np.float64]


class _EachDraw(PointsEvaluator):
    """Force errors of rows that hold every draw of a unit."""

    def source(self, uniforms: Array) -> PointsSource:
        return self.source_of_draws(uniforms)


@dataclass(frozen=True)
class DrawInputs:
    """Inputs of a case, independent uniforms on (0, 1); dependence between factors is applied to them inside.

    names    of the inputs, each once: the factor as the budget names it; where it has several inputs, what tells
             them apart, and a number in brackets. Inputs of factors that depend on each other bear the name of
             their group: what one of them does alone is no matter of one factor
    columns  place in the plan of each input's column
    plan     of the case
    """

    plan: SharesPlan
    names: tuple[str, ...]
    columns: tuple[int, ...]

    @classmethod
    def of(cls, case: Case) -> DrawInputs:
        """Raises ValueError where nothing varies."""
        plan = SharesPlan.of(model_of(case))
        shared = Counter(one.labels.factor for one in plan.labels)
        front, many = len(plan.labels) - len(plan.columns), _draws(plan)
        stems: list[str] = []
        columns: list[int] = []
        for place, (label, group) in enumerate(zip(plan.labels, plan.groups("factor"), strict=True)):
            name = label.labels.factor
            if name == DIRECTION and not _either_direction(case):
                continue
            if group != name:
                name = group
            elif shared[name] > 1:
                name = plan.columns[place - front].name.replace("@use", " in use")
            stems += [name] * many[place]
            columns += [place] * many[place]
        if not stems:
            raise InvalidArgument("nothing varies in this case: it has no inputs. Give a quantity a spread")
        return cls(plan, _numbered(stems), tuple(columns))

    def groups(self, by: By) -> tuple[str, ...]:
        """Group of each input; dependent factors are one. Raises ValueError for an unknown `by`."""
        found = self.plan.groups(by)
        return tuple(found[place] for place in self.columns)

    def outputs(
        self, uniforms: Array, places: Sequence[int] | None = None, workers: int | None = None
    ) -> Array:
        """Outputs (row, output) of rows of uniforms (row, input), by blocks on `workers` threads (default: all cores).

        places  of the outputs in the order of `CaseOutputs.names`, default all. Values at 0 and 1, whose quantile
                may be infinite, count as HALF_CELL inside.

        Raises ValueError for uniforms of another shape, outside [0, 1] or not numbers and for workers below 1,
        EvaluationError where the chain gives no number.
        """
        uniforms = np.asarray(uniforms, dtype=np.float64)
        if uniforms.ndim != 2 or uniforms.shape[1] != len(self.names):
            raise InvalidArgument(
                f"rows of {len(self.names)} inputs are needed; the array has shape {uniforms.shape}"
            )
        if not np.all((uniforms >= 0.0) & (uniforms <= 1.0)):
            raise InvalidArgument("inputs are uniforms: every value must lie in [0, 1]")
        if workers is not None and workers < 1:
            raise InvalidArgument(f"workers must be at least 1 (got {workers})")
        inside = np.clip(uniforms, HALF_CELL, 1.0 - HALF_CELL)
        outputs, size = self._evaluated(len(inside)), default_block(self.plan.model.case)
        pieces = (self._rows(inside[first : first + size]) for first in range(0, len(inside), size))
        found = np.concatenate(list(in_threads(outputs, pieces, workers or default_workers())))
        chosen = found if places is None else found[:, places]
        failed = np.flatnonzero(~np.all(np.isfinite(chosen), axis=1))
        if len(failed):
            raise EvaluationError(self._where_failed(inside, failed))
        return chosen

    def _evaluated(self, rows: int) -> CaseOutputs:
        outputs = self.plan.outputs(rows=rows)
        given = outputs.evaluator
        return replace(outputs, evaluator=_EachDraw(given.model, given.columns, given.tied))

    def _rows(self, inputs: Array) -> Array:
        """Every draw of the plan's columns; those that are no input rest at their centre."""
        many = _draws(self.plan)
        taken = np.isin(np.repeat(np.arange(len(many)), many), self.columns)
        rows = np.full((len(inputs), len(taken)), 0.5)
        rows[:, taken] = inputs
        return rows

    def _where_failed(self, uniforms: Array, failed: NDArray[np.intp]) -> str:
        labels = tuple(self.plan.labels[place] for place in self.columns)
        first = tuple(uniforms[failed[0]].tolist())
        found = FailedEvaluations(len(failed), len(uniforms), f"row {failed[0]}", first, "")
        return replace(self.plan, labels=labels).where_failed(found)


def _draws(plan: SharesPlan) -> tuple[int, ...]:
    """Draws of a unit from each column; the condition of use in front is one."""
    front = len(plan.labels) - len(plan.columns)
    return (*(1 for _ in range(front)), *(column.many for column in plan.columns))


def _either_direction(case: Case) -> bool:
    """Whether the branch of the load cycle is drawn in some condition of use; its column is there in any case."""
    stated = [condition.direction for condition in case.conditions]
    return "either" in (case.elements["use"].options["direction"], *stated)


def _numbered(stems: Sequence[str]) -> tuple[str, ...]:
    """Names of which none occurs twice: '[1]', '[2]' behind those that would."""
    count, seen = Counter(stems), Counter[str]()
    names: list[str] = []
    for stem in stems:
        seen[stem] += 1
        names.append(f"{stem} [{seen[stem]}]" if count[stem] > 1 else stem)
    return tuple(names)


def chosen_outputs(
    case: Case, option: str | None, output: str | Sequence[str]
) -> tuple[tuple[int, ...], tuple[tuple[str, str], ...]]:
    """Places of outputs among those of a case, and (option, output) of each.

    option  a calibration option by name; None for all of them
    output  one or more of `output_names`

    Raises ValueError for an unknown option or output, and for none at all.
    """
    options, known = [one.name for one in case.calibrations], output_names(case)
    wanted = (output,) if isinstance(output, str) else tuple(output)
    if option is not None and option not in options:
        raise InvalidArgument(f'option "{option}" is not one of this case; there is {choices(options)}')
    for name in wanted:
        if name not in known:
            raise InvalidArgument(f'output "{name}" is not one of this case; there is {choices(known)}')
    if not wanted:
        raise InvalidArgument(f"no output is named; there is {choices(known)}")
    pairs = tuple((one, name) for one in options if option in (None, one) for name in dict.fromkeys(wanted))
    places = tuple(options.index(one) * len(known) + known.index(name) for one, name in pairs)
    return places, pairs
