"""The loop over blocks on an accelerator."""

from __future__ import annotations

from typing import Any

from margin.backends.compiled.block import samples_of
from margin.backends.device.counting import count_on_device
from margin.backends.device.fused_kernel import FusedStudy, fused_study_for
from margin.backends.device.source import DeviceSource
from margin.backends.device.space import CupySpace, Space
from margin.case.types import Case
from margin.propagation.block import block_errors
from margin.propagation.model import Model, model_of
from margin.propagation.partial import Total
from margin.propagation.plan import Block, Plan, plan_of
from margin.propagation.readings import readings_of_a_unit
from margin.propagation.run_result import Computation, Enough, Progress, RunResult, result_of

VALUES_IN_BLOCK = 1 << 28
"""Most readings in a block: large arrays keep a device busy while the host asks for the next step."""

ALIVE = 48
"""Arrays of a block that memory must hold at once, generously."""


def run_on_gpu(
    case: Case,
    *,
    plan: Plan | None = None,
    enough: Enough | None = None,
    model: Model | None = None,
    block: int | None = None,
    progress: Progress | None = None,
    space: Space | None = None,
    fused: bool | None = None,
) -> RunResult:
    """Draw the study of a case on the accelerator; counts alone come back.

    plan, enough, model  as in `run`
    block     units in one block, by default what memory allows
    progress  called with the number of units just finished
    space     where the arrays live; the current CUDA device by default
    fused     True: by one kernel made from the case, False: by array operations, None: by a kernel where the study
              is large enough and every element and calibration of the case can be compiled

    Uniforms are those of the ordinary run to the bit, whatever the block; functions of the device round in their own
    way, so that an error may differ in its last digits and a count by the few readings that stand at a limit. The
    same seed on the same kind of device, by the same way, gives the same result to the bit.

    Raises GpuUnavailable without CuPy or a device, NotOnDevice for a case that takes numpy's own arrays alone,
    CannotFuse for a kernel that cannot be had, EvaluationError as `run`, ValueError for a block below 1.
    """
    device = CupySpace() if space is None else space
    model = model_of(case) if model is None else model
    plan = plan_of(case) if plan is None else plan
    frame = plan.frame
    kernel = fused_study_for(model, plan, device, fused)
    values = min(VALUES_IN_BLOCK, device.room // (8 * ALIVE))
    by_arrays = max(values // readings_of_a_unit(case), 1)
    most = (by_arrays if kernel is None else kernel.units_at_once) if block is None else block
    if most < 1:
        raise ValueError(f"block must be at least 1 unit (got {most})")
    total = Total.empty(frame, tuple(o.name for o in case.calibrations))
    path: Computation = "gpu" if kernel is None else "gpu fused"
    begin = 0
    for look in range(len(plan.looks)):
        units = plan.units_at(look) - begin
        # blocks of one size: a small one at the end costs nearly as much as a large one
        size = max(-(-units // max(-(-units // most), 1)), 1)
        for whole in plan.cut(Block(begin, units, 0), size):
            if kernel is None or not _count_by_kernel(kernel, model, plan, device, whole, total):
                for part in plan.cut(whole, min(size, by_arrays)):
                    _count_by_arrays(model, plan, device, part, total)
            if progress is not None:
                progress(whole.count)
        begin += units
        drawn = plan.upto(look)
        samples = samples_of(model, drawn, Block(0, drawn.frame.units, 0))
        found = result_of(model, drawn, total, path, samples)
        if enough is not None and enough(found):
            break
    return found


def _count_by_kernel(
    kernel: FusedStudy, model: Model, plan: Plan, device: Space, block: Block, total: Total
) -> bool:
    """Whether the block is counted: not where a force error is not a number."""
    source = DeviceSource(model.source(plan.frame.grouping, block.start, block.count), device)
    return kernel.count(model, source, _pieces(plan, block), total)


def _count_by_arrays(model: Model, plan: Plan, device: Space, block: Block, total: Total) -> None:
    source = DeviceSource(model.source(plan.frame.grouping, block.start, block.count), device)
    errors = block_errors(model, source, block.count)
    for name, by_condition in errors.by_option.items():
        given: list[Any] = list(by_condition)
        count_on_device(device, name, plan.frame, given, _pieces(plan, block), total.tallies[name])
    total.clipped += errors.clipped
    total.blind += errors.blind


def _pieces(plan: Plan, block: Block) -> list[Block]:
    """The parts of a block in each piece that it reaches."""
    end = block.start + block.count
    pieces = []
    for piece in plan.pieces():
        first, last = max(piece.start, block.start), min(piece.start + piece.count, end)
        if last > first:
            pieces.append(Block(first, last - first, piece.section))
    return pieces
