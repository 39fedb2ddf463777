"""Where arrays live and what is done there by kernels of its own: draws, and counting into bins."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property, partial
from types import ModuleType
from typing import Any, Protocol, runtime_checkable

import numpy as np
import scipy.special
from numpy.typing import NDArray

from distributions import Stream
from distributions.points import scrambled_dimension, unit_points
from margin.backends.device.arrays import DeviceArray, NotOnDevice
from margin.backends.device.kernels import DRAWN_EACH, SOURCE
from margin.propagation.histogram import Bins
from margin.propagation.tally import Frame, Judged, judge, needed_within

__all__ = ["CupySpace", "DeviceArray", "GpuUnavailable", "KernelSpace", "NotOnDevice", "NumpySpace", "Space"]

THREADS = 256
"""Threads in a block of a kernel."""

BLOCKS_COUNTING = 264
"""Blocks that count side by side, each in shared memory, before they add up: no more than a large device holds."""

ROWS_COUNTING = 1 << 14
"""Least values that a block counts: adding up costs as much as some thousands."""


class GpuUnavailable(RuntimeError):
    """CuPy is not installed, or there is no device."""


@dataclass(frozen=True)
class Counted:
    """Counts (load, bin), extremes (load,), and how many values are no numbers; on the host."""

    counts: NDArray[np.int64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    bad: int


class Space(Protocol):
    """An array namespace with the draws of a stream and the counting of a histogram."""

    @property
    def room(self) -> int:
        """Bytes that a block may take."""

    def array(self, values: Any) -> DeviceArray:
        """Values of host memory."""

    def uniforms(self, stream: Stream, name: str, start: int, count: int) -> DeviceArray:
        """Draws of a stream, (count,): to the bit those of `Stream.uniforms`."""

    def sobol(
        self, stream: Stream, names: tuple[str, ...], name: str, start: int, count: int, section: int
    ) -> DeviceArray:
        """One row, that of `name`, of scrambled Sobol points: to the bit those of `unit_points`."""

    def counted(self, errors: DeviceArray, bins: Bins) -> Counted:
        """Values by place on the last axis and bin."""

    def judged(self, frame: Frame, errors: list[DeviceArray]) -> Judged:
        """As `judge`, its arrays on the device."""


@runtime_checkable
class KernelSpace(Space, Protocol):
    """A device that takes kernels as text."""

    @property
    def namespace(self) -> Any:
        """Its arrays, by the names of numpy."""

    @property
    def processors(self) -> int:
        """Processors that each run a block or a few."""

    @property
    def shared_room(self) -> int:
        """Bytes of memory that the threads of a block share, at most."""

    def compiled(self, text: str, name: str, shared: int = 0) -> Any:
        """The kernel `name` of a module's text, called with numbers of blocks and threads and its arguments.

        shared  bytes that the threads of a block share beside those stated in the text
        """


@dataclass(frozen=True)
class NumpySpace:
    """Host memory by the same calls: what a device is held against."""

    room: int = 1 << 28

    def array(self, values: Any) -> DeviceArray:
        return DeviceArray(np, scipy.special, np.asarray(values))

    def uniforms(self, stream: Stream, name: str, start: int, count: int) -> DeviceArray:
        return self.array(stream.uniforms(name, start, count))

    def sobol(
        self, stream: Stream, names: tuple[str, ...], name: str, start: int, count: int, section: int
    ) -> DeviceArray:
        points = unit_points("sobol", stream, names, start, count, section)
        return self.array(points[names.index(name)])

    def counted(self, errors: DeviceArray, bins: Bins) -> Counted:
        loads = errors.shape[-1]
        rows = errors.data.reshape(-1, loads)
        bad = int(np.count_nonzero(~np.isfinite(rows)))
        index = bins.index(rows) + np.arange(loads, dtype=np.int64) * bins.size
        counts = np.bincount(index.ravel(), minlength=loads * bins.size).reshape(loads, bins.size)
        return Counted(counts, rows.min(axis=0), rows.max(axis=0), bad)

    def judged(self, frame: Frame, errors: list[DeviceArray]) -> Judged:
        found = judge(frame, [e.data for e in errors])
        return on_device(self, found.largest, found.within, found.by_share, found.everywhere, found.halves)


@dataclass(frozen=True)
class CupySpace:
    """The current CUDA device by CuPy. Raises GpuUnavailable where there is none."""

    _directions: dict[tuple[int, int], Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        try:
            import cupy

            devices = int(cupy.cuda.runtime.getDeviceCount())
        except Exception as fault:  # a missing driver shows itself by several kinds of errors
            raise GpuUnavailable(
                f"no accelerator can be used ({fault}): install the extra 'gpu' for the CUDA version of this machine, "
                "or run without it"
            ) from fault
        if devices == 0:
            raise GpuUnavailable("no accelerator can be used: CuPy finds no CUDA device")

    @cached_property
    def namespace(self) -> ModuleType:
        """CuPy."""
        import cupy

        return cupy  # type: ignore[no-any-return]

    @property
    def processors(self) -> int:
        return self._attribute("MultiProcessorCount")

    @property
    def shared_room(self) -> int:
        return self._attribute("MaxSharedMemoryPerBlockOptin")

    def _attribute(self, name: str) -> int:
        return int(self.namespace.cuda.Device().attributes[name])

    def compiled(self, text: str, name: str, shared: int = 0) -> Any:
        """See `KernelSpace`; CuPy keeps the code of texts that it has seen before."""
        kernel = self.namespace.RawModule(code=text).get_function(name)
        if shared:
            kernel.max_dynamic_shared_size_bytes = shared
        return partial(kernel, shared_mem=shared)

    @cached_property
    def _special(self) -> ModuleType:
        import cupyx.scipy.special

        return cupyx.scipy.special  # type: ignore[no-any-return]

    @property
    def room(self) -> int:
        cupy = self.namespace
        free, _ = cupy.cuda.runtime.memGetInfo()
        return int(free + cupy.get_default_memory_pool().free_bytes())

    @cached_property
    def _kernels(self) -> Any:
        return self.namespace.RawModule(code=SOURCE)

    def array(self, values: Any) -> DeviceArray:
        return DeviceArray(self.namespace, self._special, self.namespace.asarray(values))

    def uniforms(self, stream: Stream, name: str, start: int, count: int) -> DeviceArray:
        drawn = self.namespace.empty(count)
        counter, skipped = divmod(start, DRAWN_EACH)
        counters = -(-(count + skipped) // DRAWN_EACH)
        first, second = stream.key(name)
        self._launch("philox_uniforms", counters, (
            drawn, first, second, np.uint64(counter), np.int64(skipped), np.int64(count),
        ))  # fmt: skip
        return self.array(drawn)

    def sobol(
        self, stream: Stream, names: tuple[str, ...], name: str, start: int, count: int, section: int
    ) -> DeviceArray:
        directions, keys = scrambled_dimension(stream, names, name, section)
        drawn, place = self.namespace.empty(count), (len(names), names.index(name))
        if place not in self._directions:
            self._directions[place] = self.namespace.asarray(directions)
        self._launch("sobol_points", count, (
            drawn, self._directions[place], *keys, np.uint32(start), np.int64(count),
        ))  # fmt: skip
        return self.array(drawn)

    def counted(self, errors: DeviceArray, bins: Bins) -> Counted:
        cupy = self.namespace
        data = cupy.ascontiguousarray(errors.data)
        loads = errors.shape[-1]
        rows = errors.size // loads
        counts = cupy.zeros((loads, bins.size), dtype=np.uint64)
        ends = cupy.asarray(np.tile([np.iinfo(np.int64).max, np.iinfo(np.int64).min, 0], (loads, 1)))
        shift, bias = bins.upper_word
        self._kernels.get_function("count_by_load")(
            (max(min(BLOCKS_COUNTING // loads, rows // ROWS_COUNTING), 1), loads), (4 * THREADS,),
            (
                data, counts, ends, np.int64(rows), np.int32(loads), np.float64(bins.scale),
                np.int32(shift), np.int32(bias), np.int32(bins.half),
            ),
            shared_mem=4 * bins.size,
        )  # fmt: skip
        low, high, bad = ends.get().T
        return Counted(counts.get().astype(np.int64), of_ordered(low), of_ordered(high), int(bad.sum()))

    def judged(self, frame: Frame, errors: list[DeviceArray]) -> Judged:
        cupy = self.namespace
        units, loads = errors[0].shape[0], frame.loads.size
        largest, within = cupy.zeros(units), cupy.zeros(units, dtype=np.int64)
        halves = cupy.ones((2, units), dtype=np.bool_)
        permissible = cupy.asarray(frame.permissible)
        readings = [e.size // (units * loads) for e in errors]
        half, first = max(sum(readings) // 2, 1), 0
        for error, each in zip(errors, readings, strict=True):
            self._launch("judge_units", 32 * units, (
                cupy.ascontiguousarray(error.data), permissible, largest, within, halves, np.int64(units),
                np.int32(each), np.int32(loads), np.int32(first), np.int32(half), np.int32(sum(readings) - half),
            ))  # fmt: skip
            first += each
        return on_device(self, largest, within, within >= needed_within(frame), largest <= 1.0, halves)

    def _launch(self, name: str, items: int, args: tuple[Any, ...]) -> None:
        self._kernels.get_function(name)((max(-(-items // THREADS), 1),), (THREADS,), args)


def of_ordered(whole: NDArray[np.int64]) -> NDArray[np.float64]:
    """Doubles of whole numbers that are ordered as they are."""
    return np.where(whole >= 0, whole, whole ^ np.int64(0x7FFFFFFFFFFFFFFF)).view(np.float64)


def on_device(space: Space, *arrays: Any) -> Judged:
    """Arrays of a namespace as those of `Judged`."""
    wrapped: list[Any] = [space.array(a) for a in arrays]
    return Judged(*wrapped)
