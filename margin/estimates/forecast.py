"""Time and memory of a study before it is drawn, from its plan and a short timed pilot."""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Callable
from dataclasses import dataclass

from margin.backends.arrays import evaluate_block
from margin.backends.compiled.block import Draft, block_bytes
from margin.backends.compiled.choose import draft_for, evaluations, why_uncompiled
from margin.backends.compiled.machine_code import is_kept
from margin.backends.threads import workers_for
from margin.case.types import Case
from margin.propagation.frame import SECTIONS
from margin.propagation.model import model_of
from margin.propagation.plan import LARGEST_BLOCK, Block, Plan, default_block, growing_plan, plan_of
from margin.propagation.run_result import Computation
from margin.propagation.tally import Tally

PILOT_UNITS = 1024
"""Units of the timed pilot: a fraction of a second."""

PROGRAM_BYTES = 170 << 20
"""Memory of the program before it draws: interpreter and libraries (measured)."""

KERNEL_GAIN = (2.5, 4.0, 6.0)
"""Times that a kernel is faster than array operations: least, usual, most (measured on the shipped cases)."""

COMPILING = (1.0e-3, 2.5e-3, 5.0e-3)
"""s to compile an operation of a kernel: least, usual, most (measured on the shipped cases)."""

SPREAD = (0.7, 1.0, 1.8)
"""Time of a study relative to that of its pilot: other programs, and threads that wait for each other."""

THREADS_TOGETHER = 0.85
"""Share of the processors' time that several threads use."""

KEPT_MEMORY = 2.0
"""Most memory relative to the arrays of all threads: what is freed is kept for the next block."""

KERNEL_BYTES, COMPILER_BYTES = 70 << 10, 20 << 10
"""Memory for an operation of a kernel: to record and load it, and more to compile it (measured)."""


@dataclass(frozen=True)
class Range:
    """A predicted number, with the range in which it is expected."""

    about: float
    low: float
    high: float


@dataclass(frozen=True)
class Way:
    """How the units of a study are going to be computed.

    operations  of the kernel, 0 where there is none; kept: whether its machine code is there from before
    reason      for the choice
    block       units in a block; block_bytes: arrays of a block, None where the pilot is to measure them
    """

    path: Computation
    reason: str
    workers: int
    block: int
    operations: int = 0
    kept: bool = False
    block_bytes: int | None = None


@dataclass(frozen=True)
class Pilot:
    """A few units drawn: seconds on one thread, and the most bytes that their arrays took at once.

    path  by which they were computed: array operations where the kernel is yet to be compiled
    """

    units: int
    seconds: float
    peak_bytes: int
    path: Computation


@dataclass(frozen=True)
class StudyForecast:
    """What a study will take on this machine.

    first_look_units, most_units    units drawn at the first look, and at most
    readings_per_unit, calibrations readings of a unit in use; each is evaluated once for each calibration
    path, reason                    how readings are computed, and why so
    block_units, block_bytes        units computed at once by a thread, and the memory of their arrays
    compiling_seconds               to compile the kernel, 0 where none is or where it is kept from before
    first_look_seconds, most_seconds  drawing, with compiling; neither budget nor report
    peak_bytes                      memory of the whole process while it draws
    """

    first_look_units: int
    most_units: int
    readings_per_unit: int
    calibrations: int
    path: Computation
    reason: str
    workers: int
    block_units: int
    block_bytes: int
    compiling_seconds: Range
    first_look_seconds: Range
    most_seconds: Range
    peak_bytes: Range


def forecast(case: Case, plan: Plan, way: Way, pilot: Pilot) -> StudyForecast:
    """Forecast of a study from its plan, its way of computing and a pilot; nothing is drawn or timed here.

    Time grows with the units, memory with the units of a block and the threads.
    """
    frame, looks = plan.frame, len(plan.looks)
    to_compile = 0 if way.kept else way.operations
    compiling = Range(*(to_compile * COMPILING[each] for each in (1, 0, 2)))
    gain = KERNEL_GAIN if way.path == "kernel" and pilot.path != "kernel" else (1.0, 1.0, 1.0)
    a_unit = pilot.seconds / pilot.units / (way.workers * THREADS_TOGETHER if way.workers > 1 else 1.0)

    def seconds(units: int) -> Range:
        return Range(
            compiling.about + units * a_unit * SPREAD[1] / gain[1],
            compiling.low + units * a_unit * SPREAD[0] / gain[2],
            compiling.high + units * a_unit * SPREAD[2] / gain[0],
        )

    most = plan.units_at(looks - 1)
    block = min(way.block, -(-plan.units_at(0) // way.workers))
    block_memory = way.block_bytes
    if block_memory is None:
        block_memory = round(pilot.peak_bytes * block / pilot.units)
    arrays = way.workers * block_memory
    held = PROGRAM_BYTES + len(case.calibrations) * _bytes_of(Tally.empty(frame))
    kernel = way.operations * KERNEL_BYTES + to_compile * COMPILER_BYTES
    return StudyForecast(
        first_look_units=plan.units_at(0),
        most_units=most,
        readings_per_unit=frame.readings,
        calibrations=len(case.calibrations),
        path=way.path,
        reason=way.reason,
        workers=way.workers,
        block_units=block,
        block_bytes=block_memory,
        compiling_seconds=compiling,
        first_look_seconds=seconds(plan.units_at(0)),
        most_seconds=seconds(most),
        peak_bytes=Range(
            held + kernel + arrays * (1.0 + KEPT_MEMORY) / 2.0,
            held + 0.5 * kernel + arrays,
            held + 1.5 * kernel + arrays * KEPT_MEMORY,
        ),
    )


def forecast_of(case: Case, clock: Callable[[], float] = time.perf_counter) -> StudyForecast:
    """Forecast of the study of a case on this machine, by a pilot of PILOT_UNITS units.

    clock  s; Raises EvaluationError where the chain gives no number.
    """
    model = model_of(case)
    plan = growing_plan(case) if case.study.draw == "until decided" else plan_of(case)
    workers = workers_for(case, plan.units_at(0))
    draft = draft_for(model, plan, None)
    kept = draft is not None and is_kept(draft.text)
    way = _way(case, plan, workers, draft, kept, None if draft else why_uncompiled(model))
    evaluate = draft.compiled().evaluate if draft is not None and kept else evaluate_block
    # not the first units: a kernel evaluates some of them twice
    last = Block(
        plan.boundaries[-2], plan.boundaries[-1] - plan.boundaries[-2], (len(plan.boundaries) - 2) % SECTIONS
    )
    block = next(plan.cut(last, PILOT_UNITS))
    # libraries are loaded and tables made before the clock runs
    evaluate(model, plan, next(plan.cut(last, PILOT_UNITS // 16)))
    before = clock()
    evaluate(model, plan, block)
    seconds = clock() - before
    peak = 0 if way.block_bytes is not None else _peak_bytes(lambda: evaluate(model, plan, block))
    return forecast(case, plan, way, Pilot(block.count, seconds, peak, "kernel" if kept else "arrays"))


def _way(case: Case, plan: Plan, workers: int, draft: Draft | None, kept: bool, refusal: str | None) -> Way:
    readings = f"{evaluations(case, plan) / 1e6:.3g} million readings"
    if draft is None:
        reason = refusal or f"compiling a kernel would take longer than it saves for {readings}"
        return Way("arrays", reason, workers, default_block(case))
    return Way(
        path="kernel",
        reason=f"{readings}; its machine code is kept from before"
        if kept
        else f"worth compiling for {readings}",
        workers=workers,
        block=LARGEST_BLOCK,
        operations=draft.operations,
        kept=kept,
        block_bytes=block_bytes(draft.layout, LARGEST_BLOCK),
    )


def _peak_bytes(work: Callable[[], object]) -> int:
    """Most bytes allocated at once by the work beyond what was there."""
    tracing = tracemalloc.is_tracing()
    if not tracing:
        tracemalloc.start()
    try:
        before = tracemalloc.get_traced_memory()[0]
        tracemalloc.reset_peak()
        work()
        return tracemalloc.get_traced_memory()[1] - before
    finally:
        if not tracing:
            tracemalloc.stop()


def _bytes_of(tally: Tally) -> int:
    return sum(array.nbytes for array in vars(tally).values())
