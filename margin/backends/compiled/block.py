"""A block of units counted by a kernel."""

from __future__ import annotations

import math
from collections.abc import Container, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from distributions import Stream
from margin.backends.arrays import evaluate_block
from margin.backends.compiled.graph import Shape, needed_for
from margin.backends.compiled.kernel_text import kernel_text
from margin.backends.compiled.layout import ARGUMENTS, DRAW_ARGUMENTS, Layout, layout_of
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
        found = self._counted(model, model.source(plan.frame.grouping, block.start, block.count), block)
        if found is None:
            return evaluate_block(model, plan, block)
        return replace(found, samples=samples_of(model, plan, block))

    def _counted(self, model: Model, source: StreamSource, block: Block) -> BlockResult | None:
        """Counts of a block, without samples; None where a force error is not a number."""
        layout = self.layout
        bench = Bench(model.case, source, model.nominal, block.count)
        given = [self.side_by_side(each.values(bench), each.shape, block.count) for each in layout.outside]
        counted = Counted.empty(layout, block.count, bins=True)
        draws = in_lines((layout.uniforms,))
        self.call(
            Block(block.start, block.count, 0), keys_of(layout, source.stream), [draws] * len(layout.drawn), given,
            np.ones(len(layout.arguments)), counted, drawing=True, step=0,
        )  # fmt: skip
        if counted.bad.any():
            return None
        tallies = {}
        for option, name in enumerate(self.options):
            judged = self._judged(
                counted.ratios[option, :, : block.count], counted.within[option, : block.count]
            )
            bins = counted.bins[option, ..., :-1].astype(np.int64)
            lowest, highest = counted.low[option].min(axis=-1), counted.high[option].max(axis=-1)
            tallies[name] = tally_counted(
                self.frame, bins, lowest, highest, judged, block.start, block.section
            )
        return BlockResult(block, tallies, counted.clipped.sum(axis=1), counted.blind.sum(axis=1), {})

    def call(
        self,
        block: Block,
        keys: NDArray[np.uint64],
        draws: Sequence[Array],
        given: Sequence[Array],
        multipliers: Array,
        counted: Counted,
        *,
        drawing: bool,
        step: int,
    ) -> None:
        """Run the machine code on a block of units; see `layout.ARGUMENTS`."""
        layout = self.layout
        valid = np.zeros(-(-block.count // layout.lanes) * layout.lanes, dtype=np.int64)
        valid[: block.count] = -1
        nothing = np.zeros(1)
        first = counted.first
        arrays: list[Any] = [
            addresses(draws), addresses(given), keys, in_lines((layout.scratch,)), valid, counted.bins, counted.low,
            counted.high, counted.ratios, counted.within, counted.clipped, counted.blind, counted.bad, self.constants,
            multipliers, quantile_table(), counted.thresholds, counted.beyond, nothing if first is None else first,
        ]  # fmt: skip
        places = [0 if a is counted.bins and not a.size else a.ctypes.data for a in arrays]
        flags = (int(counted.bins.ndim == 2), int(first is not None))
        self.code(valid.size // layout.lanes, block.start, int(drawing), step, *flags, *places)

    def draw(self, block: Block, keys: NDArray[np.uint64], into: Array) -> None:
        """Make all draws of a block: into (tile, `Layout.uniforms`)."""
        places = (a.ctypes.data for a in (keys, into, quantile_table()))
        self.code.function("draw", len(DRAW_ARGUMENTS))(len(into), block.start, *places)

    def side_by_side(self, values: Value, shape: Shape, count: int) -> Array:
        """Values of a shape (unit, ...) with the units of a vector last: (tile, element of the axes, lane)."""
        width = self.layout.lanes
        units = -(-count // width) * width
        flat = np.broadcast_to(np.asarray(values, dtype=np.float64), (count, *shape)).reshape(
            count, math.prod(shape)
        )
        filled = np.empty((units, flat.shape[1]))
        filled[:count] = flat
        filled[count:] = flat[-1]
        return np.ascontiguousarray(filled.reshape(-1, width, flat.shape[1]).swapaxes(1, 2))

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


@dataclass(frozen=True)
class Counted:
    """What the machine code writes of a block; units filled up to whole vectors.

    bins        (option, condition, load, bin + 1), pooled (option, bin + 1), of no size where no errors are counted
    low, high   (option, condition, load, lane) extremes of the error, N
    ratios      (option, part of the readings, unit) largest |error| relative to the permissible error
    within      (option, unit) readings within; beyond: those beyond the `thresholds`, (option,), N
    clipped, blind  (load, lane); bad: (lane,) errors that are not numbers
    first       (option, condition, load, unit) error of the first reading, N; None where it is not asked for
    """

    bins: NDArray[np.int32]
    low: Array
    high: Array
    ratios: Array
    within: Counts
    clipped: Counts
    blind: Counts
    bad: Counts
    thresholds: Array
    beyond: Counts
    first: Array | None

    @classmethod
    def empty(
        cls,
        layout: Layout,
        count: int,
        *,
        bins: bool,
        pooled: bool = False,
        extras: Array | None = None,
    ) -> Counted:
        """Nothing counted yet. extras: thresholds, where readings beyond and errors of the first are asked for."""
        width = layout.lanes
        units = -(-count // width) * width
        rows = (layout.options, layout.conditions, layout.loads)
        return cls(
            np.zeros(
                (*(rows[:1] if pooled else rows), layout.bins.size + 1) if bins else (0,), dtype=np.int32
            ),
            np.full((*rows, width), np.inf),
            np.full((*rows, width), -np.inf),
            np.empty((layout.options, layout.parts, units)),
            np.empty((layout.options, units), dtype=np.int64),
            np.zeros((layout.loads, width), dtype=np.int64),
            np.zeros((layout.loads, width), dtype=np.int64),
            np.zeros(width, dtype=np.int64),
            np.zeros(layout.options) if extras is None else extras,
            np.zeros((layout.options, units), dtype=np.int64),
            None if extras is None else np.empty((*rows, units)),
        )


def block_bytes(layout: Layout, count: int) -> int:
    """Memory of what the machine code counts, draws and keeps for a block of so many units."""
    counted = Counted.empty(layout, count, bins=True)
    arrays: list[NDArray[Any]] = [each for each in vars(counted).values() if each is not None]
    # bins of one option at a time as whole numbers of 64 bits
    widened = 2 * counted.bins.nbytes // layout.options
    return sum(each.nbytes for each in arrays) + widened + 8 * (layout.uniforms + layout.scratch)


def keys_of(layout: Layout, stream: Stream, again: Container[str] = ()) -> NDArray[np.uint64]:
    """Keys of all streams of a kernel, one after the other; `again`: columns with other draws."""
    none = np.zeros(0, dtype=np.uint64)
    return np.concatenate(
        [none, *(stream.key(name) for drawn in layout.drawn for name in drawn.names(drawn.name in again))]
    )


def addresses(arrays: Sequence[Array]) -> Counts:
    """Address of each array."""
    return np.array([a.ctypes.data for a in arrays], dtype=np.int64)


def samples_of(model: Model, plan: Plan, block: Block) -> dict[str, Array]:
    """Errors of the first units of the study that are in the block: always drawn together, for the same bits."""
    count = min(SAMPLE_UNITS, plan.frame.units)
    first, last = min(block.start, count), min(block.start + block.count, count)
    if first == last:
        return {option.name: np.zeros((0, plan.frame.loads.size)) for option in model.case.calibrations}
    errors = block_errors(model, model.source(plan.frame.grouping, 0, count), count).by_option
    return {name: e[0][first:last, 0, 0, 0, :].copy() for name, e in errors.items()}
