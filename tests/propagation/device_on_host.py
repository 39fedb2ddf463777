"""A stand-in for an accelerator: kernels compiled for the processor, one thread after another; arrays by numpy."""

from __future__ import annotations

import ctypes
import hashlib
import subprocess
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import scipy.special

from margin.backends.device.arrays import DeviceArray
from margin.backends.device.space import NumpySpace

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
static const Place blockIdx = {0}, threadIdx = {0}, blockDim = {1}, gridDim = {1};
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
template <class T> static T atomicAdd(T* at, T more) { T old = *at; *at += more; return old; }
template <class T> static T atomicMin(T* at, T other) { T old = *at; *at = min(old, other); return old; }
template <class T> static T atomicMax(T* at, T other) { T old = *at; *at = max(old, other); return old; }
"""

_QUANTILE = ctypes.CFUNCTYPE(ctypes.c_double, ctypes.c_double)
_KINDS = {np.dtype(np.int64): ctypes.c_int64, np.dtype(np.float64): ctypes.c_double}


class HostArray(np.ndarray):
    """An array that says where it lies as one of a device does."""

    def get(self) -> np.ndarray:
        return np.array(self)

    @property
    def data(self) -> Any:
        return SimpleNamespace(ptr=self.ctypes.data)


def _host(function: Callable[..., Any]) -> Callable[..., Any]:
    return lambda *args, **kwargs: np.asarray(function(*args, **kwargs)).view(HostArray)


NAMESPACE = SimpleNamespace(
    **{
        name: _host(getattr(np, name))
        for name in ("asarray", "zeros", "empty", "broadcast_to", "ascontiguousarray")
    }
)


@dataclass(frozen=True)
class HostDevice(NumpySpace):
    """Takes kernels as a CUDA device does. folder: where they are compiled by the system's C++ compiler."""

    folder: Path = field(kw_only=True)
    namespace: Any = field(default_factory=lambda: NAMESPACE)

    def array(self, values: Any) -> DeviceArray:
        return DeviceArray(np, scipy.special, np.asarray(values))

    processors: int = 1
    shared_room: int = 227 * 1024

    def compiled(self, text: str, name: str, shared: int = 0) -> Callable[..., None]:
        memory = f"static unsigned own_bins[{shared // 4 + 1}];"
        text = text.replace("extern __shared__ unsigned own_bins[];", memory)
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

        def launch(blocks: Any, threads: Any, args: tuple[Any, ...]) -> None:
            kernel(*(_argument(a) for a in args))

        # kept alive as long as the kernel
        launch.quantile = quantile  # type: ignore[attr-defined]
        return launch


def _argument(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        return ctypes.c_void_p(value.ctypes.data)
    return _KINDS[value.dtype](value.item())
