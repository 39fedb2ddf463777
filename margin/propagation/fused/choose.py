"""Whether a study is worth a kernel, and whether it can have one."""

from __future__ import annotations

from margin.case.types import Case
from margin.propagation.fused.block import Kernel
from margin.propagation.fused.compiled import can_compile, compiler
from margin.propagation.fused.graph import needed_for
from margin.propagation.fused.trace import traced
from margin.propagation.fused.traced import NotTraceable
from margin.propagation.plan import Plan
from margin.propagation.readings import readings_of_a_unit
from margin.propagation.run import Model

WORTH_COMPILING = 1e7
"""Readings, counted once for each calibration, from which on compiling a usual graph takes less time than it saves."""

USUAL_GRAPH = 600
"""Operations; the time to compile grows with them."""


class CannotFuse(ValueError):
    """A kernel that was asked for and cannot be had: why, and what to do."""


def kernel_for(model: Model, plan: Plan, wanted: bool | None) -> Kernel | None:
    """Kernel of a case; None where the plain path is to be taken.

    wanted  True: always, False: never, None: where the study is large enough, the extra `fast` is installed and
            every element and calibration of the case can be compiled

    Raises CannotFuse where a kernel is wanted and cannot be had.
    """
    if wanted is False or (wanted is None and _evaluations(model.case, plan) < WORTH_COMPILING):
        return None
    if not can_compile():
        if wanted:
            raise CannotFuse("the fused path needs a compiler: install margin[fast], or leave fused out")
        return None
    try:
        trace = traced(model)
    except NotTraceable as error:
        if wanted:
            raise CannotFuse(f"this case cannot be compiled ({error}): leave fused out") from error
        return None
    worth = WORTH_COMPILING * max(len(needed_for(trace.ends)) / USUAL_GRAPH, 1.0)
    if wanted is None and _evaluations(model.case, plan) < worth:
        return None
    return Kernel.of(trace, plan.frame)


def path_of(kernel: Kernel | None) -> str:
    """What counts, for the head of a kept run: 'plain', or 'fused' and by which compiler for which processor."""
    return "plain" if kernel is None else f"fused ({compiler()})"


def _evaluations(case: Case, plan: Plan) -> int:
    return plan.frame.units * readings_of_a_unit(case) * len(case.calibrations)
