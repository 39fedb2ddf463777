"""The device: its arrays, draws and counts, and kernels made from text."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property, partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from distributions import Stream
from distributions.errors import MarginError
from distributions.points import scrambled_dimension
from margin.backends.device.device_array import DeviceArray
from margin.backends.device.kernels import BINS, DRAWN_EACH, SOBOL, UNIFORMS
from margin.propagation.histogram import Bins

THREADS = 256
"""Threads in a block of a kernel."""

BLOCKS_COUNTING = 264
"""Blocks that count side by side, each in shared memory, before they add up: no more than a large device holds."""

ROWS_COUNTING = 1 << 14
"""Least values that a block counts: adding up costs as much as some thousands."""


class GpuUnavailable(MarginError, RuntimeError):
    """CuPy is not installed, or there is no device."""


@dataclass(frozen=True)
class CudaSpace:
    """The current CUDA device by CuPy. Raises GpuUnavailable where there is none."""

    _directions: dict[tuple[int, int], Any] = field(default_factory=dict)
    _compiled: dict[tuple[str, str, int], Any] = field(default_factory=dict)

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
    def namespace(self) -> Any:
        """CuPy: arrays, by the names of numpy."""
        import cupy

        return cupy

    @cached_property
    def special(self) -> Any:
        """Functions of `scipy.special` on those arrays."""
        import cupyx.scipy.special

        return cupyx.scipy.special

    @cached_property
    def name(self) -> str:
        """Device and compiler: where they are equal, so are the bits."""
        cuda = self.namespace.cuda
        device = cuda.runtime.getDeviceProperties(cuda.Device().id)["name"].decode()
        compiler = ".".join(map(str, cuda.nvrtc.getVersion()))
        return f"{device}, CuPy {self.namespace.__version__}, NVRTC {compiler}"

    @property
    def processors(self) -> int:
        """Processors that each run a block or a few."""
        return self._attribute("MultiProcessorCount")

    @property
    def shared_room(self) -> int:
        """Bytes of memory that the threads of a block share, at most."""
        return self._attribute("MaxSharedMemoryPerBlockOptin")

    def _attribute(self, name: str) -> int:
        return int(self.namespace.cuda.Device().attributes[name])

    @property
    def room(self) -> int:
        """Bytes that a block may take."""
        cupy = self.namespace
        free, _ = cupy.cuda.runtime.memGetInfo()
        return int(free + cupy.get_default_memory_pool().free_bytes())

    def compiled(self, text: str, name: str, shared: int = 0) -> Any:
        """The kernel `name` of a module's text, called with numbers of blocks and threads and its arguments.

        shared  bytes that the threads of a block share beside those stated in the text

        CuPy keeps the code of texts that it has seen before.
        """
        key = (text, name, shared)
        if key not in self._compiled:
            kernel = self.namespace.RawModule(code=text).get_function(name)
            if shared:
                kernel.max_dynamic_shared_size_bytes = shared
            self._compiled[key] = partial(kernel, shared_mem=shared)
        return self._compiled[key]

    def array(self, values: Any) -> DeviceArray:
        """Values of host memory, or of the device."""
        return DeviceArray(self.namespace, self.special, self.namespace.asarray(values))

    def uniforms(self, stream: Stream, name: str, start: int, count: int) -> DeviceArray:
        """Draws of a stream, (count,): to the bit those of `Stream.uniforms`."""
        drawn = self.namespace.empty(count)
        counter, skipped = divmod(start, DRAWN_EACH)
        counters = -(-(count + skipped) // DRAWN_EACH)
        first, second = stream.key(name)
        self._launch(UNIFORMS, "philox_uniforms", counters, (
            drawn, first, second, np.uint64(counter), np.int64(skipped), np.int64(count),
        ))  # fmt: skip
        return self.array(drawn)

    def sobol(
        self, stream: Stream, names: tuple[str, ...], name: str, start: int, count: int, section: int
    ) -> DeviceArray:
        """One row, that of `name`, of scrambled Sobol points: to the bit those of `unit_points`."""
        directions, keys = scrambled_dimension(stream, names, name, section)
        drawn, place = self.namespace.empty(count), (len(names), names.index(name))
        if place not in self._directions:
            self._directions[place] = self.namespace.asarray(directions)
        self._launch(SOBOL, "sobol_points", count, (
            drawn, self._directions[place], *keys, np.uint32(start), np.int64(count),
        ))  # fmt: skip
        return self.array(drawn)

    def histogram(self, values: DeviceArray, bins: Bins) -> NDArray[np.int64]:
        """Values by bin, on the host: those of `Bins.index`. Values must be finite."""
        cupy = self.namespace
        counts = cupy.zeros(bins.size, dtype=np.uint64)
        shift, below = bins.upper_word
        self.compiled(BINS, "count_in_bins", 4 * bins.size)(
            (max(min(BLOCKS_COUNTING, values.size // ROWS_COUNTING), 1),), (4 * THREADS,),
            (
                cupy.ascontiguousarray(values.data), counts, np.int64(values.size), np.float64(bins.scale),
                np.int32(shift), np.int32(below), np.int32(bins.half),
            ),
        )  # fmt: skip
        found: NDArray[np.int64] = counts.get().astype(np.int64)
        return found

    def _launch(self, text: str, name: str, items: int, args: tuple[Any, ...]) -> None:
        self.compiled(text, name)((max(-(-items // THREADS), 1),), (THREADS,), args)
