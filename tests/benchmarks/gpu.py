"""Speed on an accelerator against the host in the same call, and against the memory bandwidth of the device.

    python tests/benchmarks/gpu.py [--out tests/benchmarks/gpu.md] [UNITS ...]

The study of `throughput.py`, percentiles included, by array operations and by one kernel. Times are the best of several
turns after one that compiles; the host's plain script and this program's own run are timed up to `--host` units.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2])]

# code that was kept would hide the time to compile it
os.environ["CUPY_CACHE_DIR"] = tempfile.mkdtemp()

import cupy  # noqa: E402
import numpy as np  # noqa: E402
from plain_script import CONDITIONS, LOADINGS, LOADS, READINGS, PlainResult, plain_study  # noqa: E402
from throughput import SEED, best, study_case  # noqa: E402

from margin.backends.device import run_on_gpu  # noqa: E402
from margin.backends.device.device_array import DeviceArray  # noqa: E402
from margin.backends.run import run  # noqa: E402
from margin.case import Case  # noqa: E402
from margin.estimates.errors import errors_frame  # noqa: E402
from margin.estimates.yields import yields_of  # noqa: E402
from margin.propagation.run_result import RunResult  # noqa: E402

SIZES = (204_800, 2_048_000, 20_480_000, 98_304_000)
OPTION = "two points"
EACH = CONDITIONS * LOADINGS * READINGS * LOADS.size


def yield_text(result: RunResult) -> str:
    """Yield at every check point with its 95 % interval."""
    found = yields_of(result.plan.frame, result.tallies[OPTION], 0.95)["units at every check point"].sampled
    return f"{found.value:.5f} ({found.low:.5f} to {found.high:.5f})"


def apart(one: RunResult, other: RunResult) -> tuple[int, float]:
    """Counts that stand in another bin, and the largest difference of a percentile, N."""
    first, second = one.tallies[OPTION], other.tallies[OPTION]
    changed = sum(
        int(np.abs(getattr(first, f) - getattr(second, f)).sum()) for f in ("errors", "largest", "within")
    )
    frames = [
        errors_frame(r.plan.frame, r.tallies[OPTION], 0.95).select_dtypes("number") for r in (one, other)
    ]
    return changed, float(np.nanmax(np.abs(frames[0].to_numpy() - frames[1].to_numpy())))


def copy_bandwidth() -> float:
    """Bytes a second that a copy of 4 GB reads and writes."""
    source = cupy.zeros(1 << 29)
    target = cupy.empty_like(source)

    def copy() -> None:
        cupy.copyto(target, source)
        cupy.cuda.Device().synchronize()

    copy()
    return 2.0 * source.nbytes / best(copy, 10)


def bytes_moved(case: Case) -> float:
    """Bytes that the array operations of a run read and write, each array in full once; kernels of its own left out."""
    total = 0
    plain = DeviceArray.__array_ufunc__

    def counting(self: DeviceArray, ufunc: Any, method: str, *inputs: Any, **kwargs: Any) -> Any:
        nonlocal total
        result = plain(self, ufunc, method, *inputs, **kwargs)
        total += sum(a.data.nbytes for a in (*inputs, result) if isinstance(a, DeviceArray))
        return result

    DeviceArray.__array_ufunc__ = counting  # type: ignore[method-assign]
    try:
        run_on_gpu(case, compiled=False)
    finally:
        DeviceArray.__array_ufunc__ = plain  # type: ignore[method-assign]
    return float(total)


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("sizes", nargs="*", type=int, default=SIZES)
    parser.add_argument("--host", type=int, default=2_048_000, help="most units for the host")
    parser.add_argument("--out", type=Path)
    parser.add_argument("--block", type=int)
    given = parser.parse_args()
    card = cupy.cuda.runtime.getDeviceProperties(0)["name"].decode()
    bandwidth = copy_bandwidth()
    cupy.get_default_memory_pool().free_all_blocks()
    cores = os.cpu_count() or 1
    lines = [
        "# An accelerator against its host",
        "",
        f"{card}, {cores} cores; Python {platform.python_version()}, numpy {np.__version__}, "
        f"CuPy {cupy.__version__}. A copy on the device moves {bandwidth / 1e12:.2f} TB/s (read and write).",
        "Invented pad of `throughput.py`: 88 readings a unit, two-point calibration, percentiles included, float64.",
        "Command: `python tests/benchmarks/gpu.py" + "".join(f" {s}" for s in given.sizes) + "`",
        "",
        "| evaluations | way | s | M evaluations/s | share of copy bandwidth | yield at every check point (95 %) |",
        "|---|---|---|---|---|---|",
    ]
    print("\n".join(lines), flush=True)

    def row(units: int, way: str, seconds: float, share: float | None, text: str) -> None:
        shown = "" if share is None else f"{100.0 * share:.2f} %"
        line = f"| {units * EACH:.2e} | {way} | {seconds:.3f} | {units * EACH / seconds / 1e6:.0f} | {shown} | {text} |"
        lines.append(line)
        print(line, flush=True)

    first = []
    for fused in (False, True):
        started = time.perf_counter()
        run_on_gpu(study_case(20_000), block=given.block, compiled=fused)
        first.append(time.perf_counter() - started)
    for units in given.sizes:
        case = study_case(units)
        kept: dict[bool, list[RunResult]] = {False: [], True: []}
        for fused, way in ((False, "accelerator, array operations"), (True, "accelerator, one kernel")):
            found = kept[fused]
            seconds = best(
                lambda c=case, k=found, f=fused: k.append(run_on_gpu(c, block=given.block, compiled=f)), 3
            )
            share = None if fused else bytes_moved(case) / seconds / bandwidth
            row(units, way, seconds, share, yield_text(found[0]))
            print(f"\nsame bits twice: {apart(found[0], found[1])[0] == 0}", flush=True)
        print(
            "kernel against array operations: {} counts in another bin, {:.2e} N\n".format(
                *apart(kept[True][0], kept[False][0])
            )
        )
        if units > given.host:
            continue
        script: list[PlainResult] = []
        seconds = best(lambda u=units, s=script: s.append(plain_study(u, SEED)), 1)
        row(units, "host, plain script", seconds, None, f"{script[0].conforming:.5f}")
        host: list[RunResult] = []
        seconds = best(lambda c=case, h=host: h.append(run(c)), 1)
        row(
            units, f"host, this program ({host[0].path}), {cores} threads", seconds, None, yield_text(host[0])
        )
        for fused, way in ((False, "array operations"), (True, "kernel")):
            print(
                "{} against the host: {} counts in another bin, {:.2e} N".format(
                    way, *apart(kept[fused][0], host[0])
                )
            )
    lines += [
        "",
        "Share of copy bandwidth: bytes that the array operations read and write (an array repeated along an axis "
        "counted in full), over the whole time of the run. Accelerator: best of three turns; host: one turn. The first "
        f"run ever, with what is compiled then: {first[0]:.1f} s by array operations, {first[1]:.1f} s by one kernel.",
    ]
    if given.out is not None:
        given.out.write_text("\n".join(lines) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
