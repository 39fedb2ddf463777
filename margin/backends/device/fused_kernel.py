"""A study on the device by one kernel made from the same element source: draws, chain and counts of a unit in a thread.

Only the counts and what is judged of each unit are written to memory, so that the arithmetic of the device and not
its memory sets the time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from margin.backends.compiled.choose import LEFT_OPEN, CannotFuse, evaluations, recorded_for
from margin.backends.compiled.graph import needed_for
from margin.backends.compiled.layout import Layout, layout_of
from margin.backends.compiled.remembered import Remembered
from margin.backends.compiled.trace import traced
from margin.backends.device.counting import count_judged
from margin.backends.device.fused_text import Counting, fused_text
from margin.backends.device.source import DeviceSource
from margin.backends.device.space import KernelSpace, Space, of_ordered, on_device
from margin.chain.parameter import Value
from margin.propagation.calibrated import Bench
from margin.propagation.model import Model
from margin.propagation.partial import Total
from margin.propagation.plan import Block, Plan, plan_of
from margin.propagation.tally import Frame, needed_within

WORTH_COMPILING = 2e9
"""Readings, counted once for each calibration, from which on a kernel of a usual graph is made.

Compiling takes about a second, twice what so many take by array operations; CuPy keeps the code, and the next study
takes an eighth of that.
"""

USUAL_GRAPH = 300
"""Operations; the time to compile grows with them."""

MOST_UNITS = 1 << 25
"""Units in a block: what it costs beside its kernel is small then."""

_LARGEST_COUNT = (1 << 32) - 1


@dataclass(frozen=True)
class FusedStudy:
    """The kernel of a case on one device."""

    layout: Layout
    frame: Frame
    options: tuple[str, ...]
    space: KernelSpace
    counting: Counting
    code: Any = field(repr=False)

    @property
    def units_at_once(self) -> int:
        """Units in a block that memory allows."""
        layout = self.layout
        given, computed = (sum(math.prod(o.shape) for o in some) for some in (layout.given, layout.computed))
        # means of the lots are computed of their sample units by array operations
        words = 4 * given + 48 * computed + 3 * len(self.options) + 16
        most = min(MOST_UNITS, _LARGEST_COUNT // layout.turns)
        return max(min(most, self.space.room // (16 * words)), 1)

    def count(self, model: Model, source: DeviceSource, pieces: list[Block], total: Total) -> bool:
        """Draw, calibrate and use the units of a block, its pieces by section, and add their counts.

        False where a force error is not a number: nothing is added then.
        """
        layout, cupy = self.layout, self.space.namespace
        start, units = pieces[0].start, sum(piece.count for piece in pieces)
        options, rows = len(self.options), layout.conditions * layout.loads
        bench = Bench(model.case, source, model.nominal, units)
        given = [self._on_device(each.values(bench), (units, *each.shape)) for each in layout.outside]
        keys = [source.host.stream.key(name) for name in layout.streams]
        fixed = (
            cupy.asarray(np.array([g.data.ptr for g in given], dtype=np.uint64)),
            cupy.asarray(np.concatenate([np.zeros(0, dtype=np.uint64), *keys])),
            cupy.asarray(np.array(layout.constants, dtype=np.float64)),
        )
        bins = cupy.zeros((len(pieces), options * rows, layout.bins.size), dtype=np.uint32)
        none = np.array([[np.iinfo(np.int64).max], [np.iinfo(np.int64).min]])
        ends = cupy.asarray(np.repeat(none, options * rows, axis=1))
        largest = cupy.empty((options, units))
        within = cupy.empty((options, units), dtype=np.int64)
        halves = cupy.empty((options, 2, units), dtype=np.bool_)
        marked = cupy.zeros((2, layout.loads), dtype=np.uint32)
        bad = cupy.zeros(1, dtype=np.uint32)
        threads, most = self.counting.threads, self.counting.blocks * self.space.processors
        for number, piece in enumerate(pieces):
            self.code(
                (min(-(-piece.count // threads), most),), (threads,),
                (
                    np.int64(piece.start), np.int64(piece.start - start), np.int64(piece.count), np.int64(units),
                    *fixed, bins[number], ends, largest, within, halves, marked, bad,
                ),
            )  # fmt: skip
        if int(bad.get()[0]):
            return False
        counts = (
            bins.get().astype(np.int64).reshape(len(pieces), options, layout.conditions, layout.loads, -1)
        )
        low, high = of_ordered(ends.get()).reshape(2, options, layout.conditions, layout.loads)
        clipped, blind = marked.get().astype(np.int64)
        total.clipped += clipped
        total.blind += blind
        for option, name in enumerate(self.options):
            tally = total.tallies[name]
            for number, piece in enumerate(pieces):
                tally.errors[piece.section] += counts[number, option]
            np.minimum(tally.low, low[option], out=tally.low)
            np.maximum(tally.high, high[option], out=tally.high)
            judged = on_device(
                self.space, largest[option], within[option], within[option] >= needed_within(self.frame),
                largest[option] <= 1.0, halves[option],
            )  # fmt: skip
            count_judged(self.space, self.frame, judged, pieces, tally)
        return True

    def _on_device(self, values: Value, shape: tuple[int, ...]) -> Any:
        """Values of a shape (unit, ...) with the units last: (element of the axes, unit)."""
        cupy = self.space.namespace
        data = cupy.asarray(getattr(values, "data", values), dtype=np.float64)
        flat = cupy.broadcast_to(data, shape).reshape(shape[0], math.prod(shape[1:]))
        return cupy.ascontiguousarray(flat.T)


def fused_study_for(model: Model, plan: Plan, space: Space, wanted: bool | None) -> FusedStudy | None:
    """Kernel of a case on the device; None where array operations are to be taken.

    wanted  True: always, False: never, None: where the study is large enough and every element and calibration of
            the case can be compiled

    Raises CannotFuse where a kernel is wanted and cannot be had.
    """
    readings = evaluations(model.case, plan)
    if wanted is False or (wanted is None and readings < WORTH_COMPILING):
        return None
    if not isinstance(space, KernelSpace):
        if wanted:
            raise CannotFuse(f"a kernel is compiled for a CUDA device only: {LEFT_OPEN}")
        return None
    recorded = recorded_for(_recorded, model, wanted)
    if recorded is None:
        return None
    if wanted is None and readings < WORTH_COMPILING * recorded.operations / USUAL_GRAPH:
        return None
    counting = Counting.of(recorded.layout, space.shared_room)
    code = space.compiled(fused_text(recorded.layout, counting), "study", counting.shared)
    return FusedStudy(recorded.layout, plan.frame, recorded.options, space, counting, code)


@dataclass(frozen=True)
class _Recorded:
    layout: Layout
    options: tuple[str, ...]
    operations: int


def _record(model: Model) -> _Recorded:
    trace = traced(model)
    layout = layout_of(trace, plan_of(model.case).frame, 1)
    return _Recorded(layout, tuple(trace.errors), len(needed_for(trace.ends)))


_recorded = Remembered(_record)
