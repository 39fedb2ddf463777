"""Units of a case as drawn, and with groups of their draws drawn again, by any way of computing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from distributions import Stream
from margin.backends.units import unit_engine
from margin.estimates.shares.outputs import UnitOutputs
from margin.estimates.shares.plan import WHICH, SharesPlan, furthest_out, shares_frame
from margin.propagation.block import block_errors
from margin.propagation.frame import Frame
from margin.propagation.model import Model
from margin.propagation.outcomes import Asked, UnitEngine
from margin.propagation.run_result import Progress
from margin.propagation.tally import EvaluationError
from margin.propagation.variants import Variant, redrawn_name

Array = NDArray[np.float64]


@dataclass(frozen=True)
class _Matrix:
    """What is drawn again, and whether the condition of use is."""

    variant: Variant
    which: bool


@dataclass(frozen=True)
class UnitStudy:
    """Outputs of units for every matrix of a redrawn study (`redraw_sums.Outputs`).

    All draws are those of the streams of the case by unit; the condition of use, where there are several, has a stream
    of its own.
    """

    plan: SharesPlan
    frame: Frame
    engine: UnitEngine
    matrices: tuple[_Matrix, ...]
    progress: Progress | None = None

    @classmethod
    def of(
        cls,
        plan: SharesPlan,
        groups: tuple[str, ...],
        units: int,
        *,
        second_order: bool = False,
        progress: Progress | None = None,
    ) -> UnitStudy:
        """At most so many units; groups: that of each label of the plan, in order."""
        every = frozenset(column.name for column in plan.columns)
        own = plan.redrawn(groups)
        matrices = [_Matrix(Variant(), False), _Matrix(Variant(redrawn=every), True)]
        matrices += [_Matrix(Variant(redrawn=names), which) for names, which in own.values()]
        if second_order:
            matrices += [_Matrix(Variant(redrawn=every - names), not which) for names, which in own.values()]
        frame = shares_frame(plan.model.case, units)
        engine = unit_engine(plan.model, frame, len(matrices))
        return cls(plan, frame, engine, tuple(matrices), progress)

    def __call__(self, start: int, count: int) -> Iterator[Array]:
        """Outputs (unit, option and output) of units `start` to `start + count` for each matrix in turn.

        Raises EvaluationError where an error is not a number.
        """
        outputs = UnitOutputs.of(self.plan.model.case, self.frame)
        variants = [matrix.variant for matrix in self.matrices]
        drawn = self.engine.outcomes(start, count, variants, Asked(first=True))
        for matrix, found in zip(self.matrices, drawn, strict=True):
            if found is None:
                raise no_number(self.plan, self.frame, start, count, matrix.variant)
            yield outputs(found, self._which(start, count, again=matrix.which))
            if self.progress is not None:
                self.progress(count)

    def _which(self, start: int, count: int, *, again: bool) -> Array | None:
        if len(self.frame.conditions) < 2:
            return None
        name = redrawn_name(WHICH.name) if again else WHICH.name
        return Stream(_seed(self.plan.model)).uniforms(name, start, count)


def _seed(model: Model) -> int:
    return model.case.study.seed if model.seed is None else model.seed


def no_number(plan: SharesPlan, frame: Frame, start: int, count: int, variant: Variant) -> EvaluationError:
    """How many of some units have an error that is not a number, and which draws of the first lie furthest out."""
    try:
        with np.errstate(all="ignore"):
            source = plan.model.source(frame.grouping, start, count).varied(variant)
            errors = block_errors(plan.model, source, count).by_option
    except EvaluationError as found:
        return found
    bad = np.zeros(count, dtype=bool)
    for by_condition in errors.values():
        for each in by_condition:
            bad |= ~np.isfinite(each).reshape(count, -1).all(axis=1)
    unit = start + int(np.argmax(bad))
    stream, front = Stream(_seed(plan.model)), len(plan.labels) - len(plan.columns)
    draws: list[tuple[float, str]] = []
    for column, label in zip(plan.columns, plan.labels[front:], strict=True):
        # what is drawn at each placement has many draws, none of them further out than the others
        if column.many == 1 and (column.factor is None or column.factor.level not in ("loading", "reading")):
            name = redrawn_name(column.name) if column.name in variant.redrawn else column.name
            draws.append((float(stream.uniforms(name, unit, 1)[0]), label.labels.factor))
    return EvaluationError(furthest_out(draws, int(bad.sum()), count))
