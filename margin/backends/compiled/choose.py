"""Whether a study is worth a kernel, and whether it can have one."""

from __future__ import annotations

from dataclasses import replace
from typing import TypeVar

from margin.backends.compiled.block import Draft, Kernel
from margin.backends.compiled.machine_code import can_compile, compiler, is_kept
from margin.backends.compiled.operations import NotTraceable
from margin.backends.compiled.remembered import Remembered
from margin.backends.compiled.trace import traced
from margin.case.types import Case
from margin.propagation.frame import Frame
from margin.propagation.model import Model
from margin.propagation.plan import Plan, plan_of
from margin.propagation.readings import readings_of_a_unit

WORTH_COMPILING = 1e7
"""Readings, counted once for each calibration, from which on compiling a usual graph takes less time than it saves."""

WORTH_LOADING = 3e6
"""The same where the compiled kernel is kept from an earlier study: what remains is to record the case anew."""

USUAL_GRAPH = 600
"""Operations; the time to compile grows with them."""


LEFT_OPEN = "leave the way of computing to be decided"

T = TypeVar("T")


class CannotFuse(ValueError):
    """A kernel that was asked for and cannot be had: why, and what to do."""


def recorded_for(remembered: Remembered[T], model: Model, wanted: bool | None) -> T | None:
    """What is made of a recorded case; None where it cannot be recorded. CannotFuse where a kernel is wanted then."""
    try:
        return remembered.of(model)
    except NotTraceable as error:
        if wanted:
            raise CannotFuse(f"this case cannot be compiled ({error}): {LEFT_OPEN}") from error
        return None


def evaluations(case: Case, plan: Plan) -> int:
    """Readings of a study, counted once for each calibration."""
    return plan.frame.units * readings_of_a_unit(case) * len(case.calibrations)


def kernel_for(model: Model, plan: Plan, wanted: bool | None) -> Kernel | None:
    """Kernel of a case; None where the plain path is to be taken.

    wanted  True: always, False: never, None: where the study is large enough, llvmlite is there and
            every element and calibration of the case can be compiled

    Raises CannotFuse where a kernel is wanted and cannot be had.
    """
    return _kernel_for(model, plan.frame, evaluations(model.case, plan), wanted)


def kernel_for_units(model: Model, frame: Frame, variants: int) -> Kernel | None:
    """Kernel for the units of a frame under so many variants; None where array operations are to be taken."""
    case = model.case
    return _kernel_for(model, frame, frame.units * frame.readings * len(case.calibrations) * variants, None)


def _kernel_for(model: Model, frame: Frame, readings: int, wanted: bool | None) -> Kernel | None:
    if wanted is False or (wanted is None and readings < min(WORTH_COMPILING, WORTH_LOADING)):
        return None
    if not can_compile():
        if wanted:
            raise CannotFuse(f"the fused path needs a compiler: install llvmlite, or {LEFT_OPEN}")
        return None
    recorded = recorded_for(_drafts, model, wanted)
    if recorded is None:
        return None
    draft = replace(recorded, frame=frame)
    worth = WORTH_COMPILING * max(draft.operations / USUAL_GRAPH, 1.0)
    if wanted is None and readings < worth and not is_kept(draft.text):
        return None
    return draft.compiled()


def _record(model: Model) -> Draft:
    return Draft.of(traced(model), plan_of(model.case).frame)


_drafts = Remembered(_record)


def path_of(kernel: Kernel | None) -> str:
    """What counts, for the head of a kept run: 'plain', or 'fused' and by which compiler for which processor."""
    return "plain" if kernel is None else f"fused ({compiler()})"
