"""Whether a study is worth a kernel, and whether it can have one."""

from __future__ import annotations

from dataclasses import replace

from distributions.errors import MarginError
from margin.backends.compiled.block import Draft, Kernel
from margin.backends.compiled.machine_code import can_compile, compiler, is_kept
from margin.backends.compiled.operations import NotTraceable
from margin.backends.compiled.trace import traced
from margin.backends.compiled.trace_cache import TraceCache
from margin.case.types import Case
from margin.propagation.frame import Frame
from margin.propagation.model import Model
from margin.propagation.plan import Plan, plan_of
from margin.propagation.readings import readings_of_a_unit

WORTH_COMPILING = 1e7
"""Readings, counted once for each calibration, from which on compiling a usual graph takes less time than it saves."""

WORTH_LOADING = 3e6
"""Threshold when the compiled kernel is already cached; only tracing remains."""

USUAL_GRAPH = 600
"""Operations; the time to compile grows with them."""


OMIT = "omit --compiled (compiled=True in Python); the engine then chooses"
"""What to do where a kernel is not available."""


class CannotCompile(MarginError, ValueError):
    """A kernel that was asked for and is not available: why, and what to do."""


def evaluations(case: Case, plan: Plan) -> int:
    """Readings of a study, counted once for each calibration."""
    return plan.frame.units * readings_of_a_unit(case) * len(case.calibrations)


def kernel_for(model: Model, plan: Plan, wanted: bool | None) -> Kernel | None:
    """Kernel of a case; None where array operations are to be taken. As `draft_for`, and raises what it raises."""
    draft = draft_for(model, plan, wanted)
    return None if draft is None else draft.compiled()


def draft_for(model: Model, plan: Plan, wanted: bool | None) -> Draft | None:
    """What the kernel of a case is compiled from; None where array operations are to be taken.

    wanted  True: always, False: never, None: where the study is large enough, llvmlite is there and
            every element and calibration of the case can be compiled

    Raises CannotCompile where a kernel is wanted and not available.
    """
    frame, readings = plan.frame, evaluations(model.case, plan)
    if wanted is False or (wanted is None and readings < min(WORTH_COMPILING, WORTH_LOADING)):
        return None
    if not can_compile():
        if wanted:
            raise CannotCompile(f"a compiled kernel needs a compiler: install llvmlite, or {OMIT}")
        return None
    try:
        draft = replace(_drafts.of(model), frame=frame)
    except NotTraceable as error:
        if wanted:
            raise CannotCompile(f"this case cannot be compiled ({error}): {OMIT}") from error
        return None
    worth = WORTH_COMPILING * max(draft.operations / USUAL_GRAPH, 1.0)
    if wanted is None and readings < worth and not is_kept(draft.text):
        return None
    return draft


def kernel_for_units(model: Model, frame: Frame, variants: int) -> Kernel | None:
    """Kernel for the units of a frame under so many variants; None where array operations are to be taken.

    Whether one is cached makes no difference, since how many units are evaluated follows from the answer; nor how
    long it compiles, since one kernel serves all questions about a case.
    """
    readings = frame.units * frame.readings * len(model.case.calibrations) * variants
    if readings < WORTH_COMPILING or not can_compile():
        return None
    try:
        return replace(_drafts.of(model), frame=frame).compiled()
    except NotTraceable:
        return None


def _record(model: Model) -> Draft:
    return Draft.of(traced(model), plan_of(model.case).frame)


_drafts = TraceCache(_record)


def why_uncompiled(model: Model) -> str | None:
    """Why a case has no compiled kernel; None where it has one."""
    if not can_compile():
        return "llvmlite is not installed"
    try:
        _drafts.of(model)
    except NotTraceable as error:
        return str(error)
    return None


def bits_of(kernel: Kernel | None) -> str:
    """What the last bits depend on, for the header of a kept run: 'arrays', or 'kernel', its compiler and processor."""
    return "arrays" if kernel is None else f"kernel ({compiler()})"
