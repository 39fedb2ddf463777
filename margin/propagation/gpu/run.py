"""The loop over blocks on an accelerator."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from margin.case.types import Case
from margin.propagation.gpu.counting import count_on_device
from margin.propagation.gpu.source import DeviceSource
from margin.propagation.gpu.space import CupySpace, Space
from margin.propagation.partial import SAMPLE_UNITS, Total
from margin.propagation.plan import Block, Plan, plan_of
from margin.propagation.readings import readings_of_a_unit
from margin.propagation.run import Progress, RunResult, block_errors, model_of

VALUES_IN_BLOCK = 1 << 28
"""Most readings in a block: large arrays keep a device busy while the host asks for the next step."""

ALIVE = 48
"""Arrays of a block that memory must hold at once, generously."""


def run_on_gpu(
    case: Case, *, block: int | None = None, progress: Progress | None = None, space: Space | None = None
) -> RunResult:
    """Draw the whole study of a case on the accelerator; counts alone come back.

    block     units in one block, by default what memory allows and no more than arrays of 2 GB
    progress  called with the number of units just finished
    space     where the arrays live; the current CUDA device by default

    Uniforms are those of the ordinary run to the bit, whatever the block; functions of the device round in their own
    way, so that an error may differ in its last digits and a count by the few readings that stand at a limit. The
    same seed on the same kind of device gives the same result to the bit.

    Raises GpuUnavailable without CuPy or a device, NotOnDevice for a case that takes numpy's own arrays alone,
    EvaluationError as `run`, ValueError for a block below 1.
    """
    device = CupySpace() if space is None else space
    values = min(VALUES_IN_BLOCK, device.room // (8 * ALIVE))
    size = max(values // readings_of_a_unit(case), 1) if block is None else block
    if size < 1:
        raise ValueError(f"block must be at least 1 unit (got {size})")
    model, plan = model_of(case), plan_of(case)
    frame = plan.frame
    # blocks of one size: a small one at the end costs nearly as much as a large one
    size = -(-frame.units // -(-frame.units // size))
    total = Total.empty(frame, tuple(o.name for o in case.calibrations))
    samples: dict[str, list[Any]] = {o.name: [] for o in case.calibrations}
    for block_start, count, pieces in _blocks(plan, size):
        source = DeviceSource(model.source(frame.grouping, block_start, count), device)
        errors = block_errors(model, source, count)
        total.clipped += errors.clipped
        total.blind += errors.blind
        for name, by_condition in errors.by_option.items():
            given: list[Any] = list(by_condition)
            count_on_device(device, name, frame, given, pieces, total.tallies[name])
            wanted = max(min(SAMPLE_UNITS - block_start, count), 0)
            samples[name].append(given[0][:wanted, 0, 0, 0, :].to_host())
        if progress is not None:
            progress(count)
    found = {name: np.concatenate(parts) for name, parts in samples.items()}
    return RunResult(model, plan, total.tallies, total.clipped, total.blind, found)


def _blocks(plan: Plan, size: int) -> Iterator[tuple[int, int, list[Block]]]:
    """Blocks across sections, as (start, count, the pieces of sections in it)."""
    whole = Block(0, plan.frame.units, 0)
    for block in plan.cut(whole, size):
        end = block.start + block.count
        pieces = []
        for section, (low, high) in enumerate(zip(plan.boundaries[:-1], plan.boundaries[1:], strict=True)):
            first, last = max(low, block.start), min(high, end)
            if last > first:
                pieces.append(Block(first, last - first, section))
        yield block.start, block.count, pieces
