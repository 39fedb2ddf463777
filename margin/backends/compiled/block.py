"""A block of units counted by a kernel."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from margin.backends.arrays import evaluate_block
from margin.backends.compiled.graph import needed_for
from margin.backends.compiled.kernel_text import kernel_text
from margin.backends.compiled.layout import ARGUMENTS, Layout, layout_of
from margin.backends.compiled.machine_code import Compiled, compiled, lanes, register
from margin.backends.compiled.normal_quantile import in_lines, quantile_table
from margin.backends.compiled.trace import Trace
from margin.chain.parameter import Value
from margin.propagation.block import block_errors
from margin.propagation.calibrated import Bench
from margin.propagation.draws import StreamSource
from margin.propagation.model import Model
from margin.propagation.partial import SAMPLE_UNITS, BlockResult
from margin.propagation.plan import Block, Plan
from margin.propagation.tally import Frame, Judged, needed_within, tally_counted

Array = NDArray[np.float64]
Counts = NDArray[np.int64]


@dataclass(frozen=True)
class Draft:
    """What a case is compiled from. operations: that it has to compute for a reading, or more seldom."""

    layout: Layout
    frame: Frame
    options: tuple[str, ...]
    operations: int
    text: str = field(repr=False)

    @classmethod
    def of(cls, trace: Trace, frame: Frame) -> Draft:
        operations = len(needed_for(trace.ends))
        layout = layout_of(trace, frame, lanes(operations))
        return cls(layout, frame, tuple(trace.errors), operations, kernel_text(layout, register()))

    def compiled(self) -> Kernel:
        """The kernel, compiled or taken from what is kept."""
        code = compiled(self.text, len(ARGUMENTS))
        return Kernel(self.layout, self.frame, self.options, code, np.array(self.layout.constants))


@dataclass(frozen=True)
class Kernel:
    """The compiled study of a case. One object serves any number of threads."""

    layout: Layout
    frame: Frame
    options: tuple[str, ...]
    code: Compiled = field(repr=False)
    constants: Array = field(repr=False)

    def evaluate(self, model: Model, plan: Plan, block: Block) -> BlockResult:
        """Draw, calibrate, use and count one block; by the plain path where a force error is not a number."""
        source = model.source(plan.frame.grouping, block.start, block.count)
        found = self._counted(model, source, block)
        if found is None:
            return evaluate_block(model, plan, block)
        return replace(found, samples=samples_of(model, plan, block))

    def _counted(self, model: Model, source: StreamSource, block: Block) -> BlockResult | None:
        """Counts of a block, without samples; None where a force error is not a number."""
        layout, width = self.layout, self.layout.lanes
        tiles = -(-block.count // width)
        units = tiles * width
        keys = np.concatenate([np.zeros(0, dtype=np.uint64), *(source.stream.key(n) for n in layout.streams)])
        bench = Bench(model.case, source, model.nominal, block.count)
        given = [
            _side_by_side(each.values(bench), (block.count, *each.shape), units, width)
            for each in layout.outside
        ]
        valid = np.zeros(units, dtype=np.int64)
        valid[: block.count] = -1
        rows = (layout.options, layout.conditions, layout.loads)
        bins = np.zeros((*rows, layout.bins.size + 1), dtype=np.int32)
        low, high = np.full((*rows, width), np.inf), np.full((*rows, width), -np.inf)
        ratios = np.empty((layout.options, layout.parts, units))
        within = np.empty((layout.options, units), dtype=np.int64)
        clipped, blind = (np.zeros((layout.loads, width), dtype=np.int64) for _ in range(2))
        bad = np.zeros(width, dtype=np.int64)
        arrays: list[Any] = [
            np.array([g.ctypes.data for g in given], dtype=np.int64), keys, in_lines((layout.scratch,)), valid, bins,
            low, high, ratios, within, clipped, blind, bad, self.constants, quantile_table(),
        ]  # fmt: skip
        self.code(tiles, block.start, *(a.ctypes.data for a in arrays))
        if bad.any():
            return None
        tallies = {}
        for option, name in enumerate(self.options):
            judged = self._judged(ratios[option, :, : block.count], within[option, : block.count])
            counted = bins[option, ..., :-1].astype(np.int64)
            lowest, highest = low[option].min(axis=-1), high[option].max(axis=-1)
            tallies[name] = tally_counted(
                self.frame, counted, lowest, highest, judged, block.start, block.section
            )
        return BlockResult(block, tallies, clipped.sum(axis=1), blind.sum(axis=1), {})

    def _judged(self, ratios: Array, within: Counts) -> Judged:
        first, second = ratios[0], ratios[1] if self.layout.turns > 1 else ratios[0]
        largest = ratios.max(axis=0)
        return Judged(
            largest,
            within,
            within >= needed_within(self.frame),
            largest <= 1.0,
            np.stack([first <= 1.0, second <= 1.0]),
        )


def samples_of(model: Model, plan: Plan, block: Block) -> dict[str, Array]:
    """Errors of the first units of the study that are in the block: always drawn together, for the same bits."""
    count = min(SAMPLE_UNITS, plan.frame.units)
    first, last = min(block.start, count), min(block.start + block.count, count)
    if first == last:
        return {option.name: np.zeros((0, plan.frame.loads.size)) for option in model.case.calibrations}
    errors = block_errors(model, model.source(plan.frame.grouping, 0, count), count).by_option
    return {name: e[0][first:last, 0, 0, 0, :].copy() for name, e in errors.items()}


def _side_by_side(values: Value, shape: tuple[int, ...], units: int, width: int) -> Array:
    """Values of a shape (unit, ...) with the units of a vector last: (tile, element of the axes, lane)."""
    count, *axes = shape
    flat = np.broadcast_to(np.asarray(values, dtype=np.float64), shape).reshape(count, math.prod(axes))
    filled = np.empty((units, flat.shape[1]))
    filled[:count] = flat
    filled[count:] = flat[-1]
    return np.ascontiguousarray(filled.reshape(-1, width, flat.shape[1]).swapaxes(1, 2))
