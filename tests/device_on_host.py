"""A stand-in for an accelerator: kernels compiled for the processor, one thread after another; arrays by numpy."""

from __future__ import annotations

import ctypes
import hashlib
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import scipy.special

from margin.backends.device.space import CudaSpace, GpuUnavailable

WORDS_OF_CUDA = r"""
#include <algorithm>
#include <cmath>
#include <cstring>
#define __global__
#define __shared__ static
#define __device__
#define __restrict__
#define __forceinline__ inline
#define __launch_bounds__(threads, blocks)
#define __syncthreads()
struct Place { int x; };
static Place blockIdx = {0}, threadIdx = {0}, blockDim = {1}, gridDim = {1};
extern "C" void place_at(int block, int blocks, int thread, int threads)
{
    blockIdx.x = block; gridDim.x = blocks; threadIdx.x = thread; blockDim.x = threads;
}
using std::max; using std::min; using std::isfinite;
using namespace std;
static double (*quantile)(double);
extern "C" void quantile_by(double (*function)(double)) { quantile = function; }
static double normcdfinv(double u) { return quantile(u); }
static unsigned long long __umul64hi(unsigned long long a, unsigned long long b)
{
    return (unsigned long long)(((unsigned __int128)a * b) >> 64);
}
static long long __double_as_longlong(double x) { long long bits; memcpy(&bits, &x, 8); return bits; }
static int __double2hiint(double x) { return (int)(__double_as_longlong(x) >> 32); }
static int __ffs(unsigned x) { return __builtin_ffs((int)x); }
static unsigned __brev(unsigned x)
{
    unsigned y = 0;
    for (int i = 0; i < 32; ++i, x >>= 1) y = 2 * y + (x & 1);
    return y;
}
template <class T> static T atomicAdd(T* at, T more) { T old = *at; *at += more; return old; }
template <class T> static T atomicMin(T* at, T other) { T old = *at; *at = min(old, other); return old; }
template <class T> static T atomicMax(T* at, T other) { T old = *at; *at = max(old, other); return old; }
"""

_QUANTILE = ctypes.CFUNCTYPE(ctypes.c_double, ctypes.c_double)
_KINDS = {
    np.dtype(np.int64): ctypes.c_int64, np.dtype(np.uint64): ctypes.c_uint64, np.dtype(np.int32): ctypes.c_int32,
    np.dtype(np.uint32): ctypes.c_uint32, np.dtype(np.float64): ctypes.c_double,
}  # fmt: skip


class HostArray(np.ndarray):
    """An array that says where it lies as one of a device does."""

    def get(self) -> np.ndarray:
        return np.array(self)

    @property
    def data(self) -> Any:
        return SimpleNamespace(ptr=self.ctypes.data)


class HostNamespace:
    """numpy, its new arrays as those of a device."""

    ndarray = np.ndarray
    _NEW = frozenset({"asarray", "zeros", "empty", "broadcast_to", "ascontiguousarray"})

    def __getattr__(self, name: str) -> Any:
        function = getattr(np, name)
        if name not in self._NEW:
            return function
        return lambda *args, **kwargs: np.asarray(function(*args, **kwargs)).view(HostArray)


@dataclass(frozen=True)
class HostDevice(CudaSpace):
    """Takes kernels as a CUDA device does. folder: where they are compiled by the system's C++ compiler."""

    folder: Path = field(kw_only=True)
    namespace: Any = field(default_factory=HostNamespace)
    special: Any = scipy.special
    name: str = "host"
    processors: int = 1
    shared_room: int = 227 * 1024
    room: int = 1 << 28

    def __post_init__(self) -> None:
        """No device is asked for."""

    def compiled(self, text: str, name: str, shared: int = 0) -> Any:
        key = (text, name, shared)
        if key not in self._compiled:
            self._compiled[key] = self._made(text, name, shared)
        return self._compiled[key]

    def _made(self, text: str, name: str, shared: int) -> Callable[..., None]:
        memory = f"static unsigned own_bins[{shared // 4 + 1}];"
        text = text.replace("extern __shared__ unsigned own_bins[];", memory)
        # threads that wait for each other cannot be run one after another
        alone = "__syncthreads" in text
        stem = self.folder / hashlib.sha256(text.encode()).hexdigest()[:16]
        stem.with_suffix(".cpp").write_text(WORDS_OF_CUDA + text)
        command = ["g++", "-O1", "-std=c++17", "-shared", "-fPIC", "-ffp-contract=off"]
        subprocess.run(
            [*command, str(stem.with_suffix(".cpp")), "-o", str(stem.with_suffix(".so"))],
            check=True, capture_output=True,
        )  # fmt: skip
        library = ctypes.CDLL(str(stem.with_suffix(".so")))
        quantile = _QUANTILE(lambda u: float(scipy.special.ndtri(u)))
        library.quantile_by(quantile)
        kernel = getattr(library, name)

        def launch(blocks: tuple[int], threads: tuple[int], args: tuple[Any, ...]) -> None:
            given = [_argument(a) for a in args]
            for block, thread in [(0, 0)] if alone else np.ndindex(*blocks, *threads):
                library.place_at(block, 1 if alone else blocks[0], thread, 1 if alone else threads[0])
                kernel(*given)

        # kept alive as long as the kernel
        launch.quantile = quantile  # type: ignore[attr-defined]
        return launch


def host_device(folder: Path) -> HostDevice:
    """Stands for a device; skips the test where there is no compiler."""
    if shutil.which("g++") is None:
        pytest.skip("no C++ compiler that could stand for a device")
    return HostDevice(folder=folder)


def cuda_device() -> CudaSpace:
    """The accelerator; skips the test without one."""
    try:
        return CudaSpace()
    except GpuUnavailable as fault:
        pytest.skip(str(fault))


def _argument(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        return ctypes.c_void_p(value.ctypes.data)
    return _KINDS[np.asarray(value).dtype](value.item())
