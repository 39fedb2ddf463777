"""The kernel of a case for the device: draws, chain and counts of a unit in a thread, from the same element source.

Only the counts and what is judged of each unit are written to memory, so that the arithmetic of the device and not
its memory sets the time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from margin.backends.compiled.block import samples_of
from margin.backends.compiled.layout import Layout, layout_of
from margin.backends.compiled.operations import NotTraceable
from margin.backends.compiled.trace import traced
from margin.backends.compiled.trace_cache import TraceCache
from margin.backends.device.counting import tally_parts
from margin.backends.device.device_array import DeviceArray, NotOnDevice
from margin.backends.device.source import DeviceSource
from margin.backends.device.space import CudaSpace
from margin.backends.device.study_text import Counting, study_text
from margin.chain.parameter import Value
from margin.propagation.calibrated import Bench
from margin.propagation.model import Model
from margin.propagation.partial import BlockResult
from margin.propagation.plan import Block, Plan, plan_of
from margin.propagation.tally import Frame, Judged, needed_within

MOST_UNITS = 1 << 25
"""Units in a block: what it costs beside its kernel is small then."""

_LARGEST_COUNT = (1 << 32) - 1


@dataclass(frozen=True)
class StudyKernel:
    """The kernel of a case on one device."""

    layout: Layout
    frame: Frame
    options: tuple[str, ...]
    space: CudaSpace
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

    def counted(self, model: Model, plan: Plan, parts: list[Block]) -> list[BlockResult] | int:
        """Draw, calibrate, use and count parts that follow each other, all at once; each has one section.

        Gives the first unit with a force error that is not a number where there is one.
        """
        layout, space, cupy = self.layout, self.space, self.space.namespace
        start, units = parts[0].start, sum(part.count for part in parts)
        options, rows = len(self.options), layout.conditions * layout.loads
        source = DeviceSource(model.source(plan.frame.grouping, start, units), space)
        bench = Bench(model.case, source, model.nominal, units)
        given = [self._on_device(each.values(bench), (units, *each.shape)) for each in layout.outside]
        keys = [source.host.stream.key(name) for name in layout.streams]
        fixed = (
            cupy.asarray(np.array([g.data.ptr for g in given], dtype=np.uint64)),
            cupy.asarray(np.concatenate([np.zeros(0, dtype=np.uint64), *keys])),
            cupy.asarray(np.array(layout.constants, dtype=np.float64)),
        )
        bins = cupy.zeros((len(parts), options * rows, layout.bins.size), dtype=np.uint32)
        none = np.array([[np.iinfo(np.int64).max], [np.iinfo(np.int64).min]])
        ends = cupy.asarray(np.tile(np.repeat(none, options * rows, axis=1), (len(parts), 1, 1)))
        largest = cupy.empty((options, units))
        within = cupy.empty((options, units), dtype=np.int64)
        halves = cupy.empty((options, 2, units), dtype=np.bool_)
        marked = cupy.zeros((len(parts), 2, layout.loads), dtype=np.uint32)
        none_bad = np.iinfo(np.uint64).max
        bad = cupy.asarray(np.array([none_bad]))
        threads, most = self.counting.threads, self.counting.blocks * space.processors
        for number, part in enumerate(parts):
            self.code(
                (min(-(-part.count // threads), most),), (threads,),
                (
                    np.int64(part.start), np.int64(part.start - start), np.int64(part.count), np.int64(units),
                    *fixed, bins[number], ends[number], largest, within, halves, marked[number], bad,
                ),
            )  # fmt: skip
        first_bad = int(bad.get()[0])
        if first_bad != none_bad:
            return first_bad
        shape = (len(parts), options, layout.conditions, layout.loads)
        counts = bins.get().astype(np.int64).reshape(*shape, layout.bins.size)
        low, high = of_ordered(ends.get()).reshape(len(parts), 2, *shape[1:]).swapaxes(0, 1)
        tallies = {}
        for option, name in enumerate(self.options):
            judged = self._judged(largest[option], within[option], halves[option])
            tallies[name] = tally_parts(
                space, self.frame, judged, parts, counts[:, option], low[:, option], high[:, option]
            )
        clipped, blind = marked.get().astype(np.int64).swapaxes(0, 1)
        return [
            BlockResult(
                part, {name: own[number] for name, own in tallies.items()}, clipped[number], blind[number],
                samples_of(model, plan, part),
            )
            for number, part in enumerate(parts)
        ]  # fmt: skip

    def _on_device(self, values: Value, shape: tuple[int, ...]) -> Any:
        """Values of a shape (unit, ...) with the units last: (element of the axes, unit)."""
        cupy, held = self.space.namespace, values
        data = cupy.asarray(held.data if isinstance(held, DeviceArray) else held, dtype=np.float64)
        flat = cupy.broadcast_to(data, shape).reshape(shape[0], math.prod(shape[1:]))
        return cupy.ascontiguousarray(flat.T)

    def _judged(self, largest: Any, within: Any, halves: Any) -> Judged:
        """Judged units, as arrays of the device."""
        found: list[Any] = [
            self.space.array(each)
            for each in (largest, within, within >= needed_within(self.frame), largest <= 1.0, halves)
        ]
        return Judged(*found)


def of_ordered(whole: NDArray[np.int64]) -> NDArray[np.float64]:
    """Doubles of whole numbers that are ordered as they are."""
    return np.where(whole >= 0, whole, whole ^ np.int64(0x7FFFFFFFFFFFFFFF)).view(np.float64)


def study_kernel(model: Model, plan: Plan, space: CudaSpace) -> StudyKernel:
    """Kernel of a case on the device. NotOnDevice where the case cannot be compiled."""
    try:
        recorded = _traces.of(model)
    except NotTraceable as error:
        raise NotOnDevice(
            f"this case cannot be compiled for the accelerator ({error}): run it without the accelerator"
        ) from error
    counting = Counting.of(recorded.layout, space.shared_room)
    code = space.compiled(study_text(recorded.layout, counting), "study", counting.shared)
    return StudyKernel(recorded.layout, plan.frame, recorded.options, space, counting, code)


@dataclass(frozen=True)
class _Recorded:
    layout: Layout
    options: tuple[str, ...]


def _record(model: Model) -> _Recorded:
    trace = traced(model)
    return _Recorded(layout_of(trace, plan_of(model.case).frame, 1), tuple(trace.errors))


_traces = TraceCache(_record)
