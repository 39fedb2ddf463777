"""Speed on an accelerator against the host in the same call, and against the memory bandwidth of the device.

    python tests/benchmarks/gpu.py [--out tests/benchmarks/gpu.md] [UNITS ...]

The study of `throughput.py`, percentiles included. Times are the best of several turns after one that compiles; the
host's plain script and this program's own run are timed at the first size that is asked for, and up to `--host`.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import time
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2])]

import cupy  # noqa: E402
import numpy as np  # noqa: E402
from plain_script import CONDITIONS, LOADINGS, LOADS, READINGS, PlainResult, plain_study  # noqa: E402
from throughput import SEED, best, study_case  # noqa: E402

from margin.case import Case  # noqa: E402
from margin.estimates.errors import errors_frame  # noqa: E402
from margin.estimates.yields import yields_of  # noqa: E402
from margin.propagation.gpu import run_on_gpu  # noqa: E402
from margin.propagation.gpu.arrays import DeviceArray  # noqa: E402
from margin.propagation.run import RunResult, run  # noqa: E402

SIZES = (204_800, 2_048_000, 20_480_000)
OPTION = "two points"
EACH = CONDITIONS * LOADINGS * READINGS * LOADS.size


def yield_text(result: RunResult) -> str:
    """Yield at every check point with its 95 % interval."""
    found = yields_of(result.plan.frame, result.tallies[OPTION], 0.95)["units at every check point"].sampled
    return f"{found.value:.5f} ({found.low:.5f} to {found.high:.5f})"


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
        run_on_gpu(case)
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

    started = time.perf_counter()
    run_on_gpu(study_case(20_000), block=given.block)
    print(f"\nfirst run, kernels compiled: {time.perf_counter() - started:.1f} s\n", flush=True)
    for units in given.sizes:
        case = study_case(units)
        kept: list[RunResult] = []
        seconds = best(lambda c=case, k=kept: k.append(run_on_gpu(c, block=given.block)), 3)
        share = bytes_moved(case) / seconds / bandwidth
        row(units, "accelerator", seconds, share, yield_text(kept[0]))
        same = all(
            np.array_equal(getattr(kept[0].tallies[OPTION], f), getattr(kept[1].tallies[OPTION], f))
            for f in ("errors", "low", "high", "largest", "within")
        )
        print(f"\nsame bits twice: {same}", flush=True)
        if units > given.host:
            continue
        script: list[PlainResult] = []
        seconds = best(lambda u=units, s=script: s.append(plain_study(u, SEED)), 1)
        row(units, "host, plain script", seconds, None, f"{script[0].conforming:.5f}")
        host: list[RunResult] = []
        seconds = best(lambda c=case, h=host: h.append(run(c)), 1)
        row(units, f"host, this program, {cores} threads", seconds, None, yield_text(host[0]))
        one, two = (errors_frame(r.plan.frame, r.tallies[OPTION], 0.95) for r in (host[0], kept[0]))
        changed = int(np.abs(host[0].tallies[OPTION].errors - kept[0].tallies[OPTION].errors).sum())
        numbers = one.select_dtypes("number").columns
        apart = float(np.nanmax(np.abs(one[numbers].to_numpy() - two[numbers].to_numpy())))
        print(f"\ncounts that stand in another bin: {changed}; percentiles apart by at most {apart:.2e} N\n")
    lines += [
        "",
        "Share of copy bandwidth: bytes that the array operations read and write (an array repeated along an axis "
        "counted in full), over the whole time of the run. Accelerator: best of three turns; host: one turn.",
    ]
    if given.out is not None:
        given.out.write_text("\n".join(lines) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
