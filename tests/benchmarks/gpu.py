"""Speed on an accelerator against the host in the same call.

    python tests/benchmarks/gpu.py [--out tests/benchmarks/gpu.md] [UNITS ...]

The study of `throughput.py`, percentiles included, by the kernel of the device. Times are the best of several turns
after one that compiles; the host's plain script and this program's own run are timed up to `--host` units.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import tempfile
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2])]

# code that was kept would hide the time to compile it
os.environ["CUPY_CACHE_DIR"] = tempfile.mkdtemp()

import cupy  # noqa: E402
import numpy as np  # noqa: E402
from plain_script import CONDITIONS, LOADINGS, LOADS, READINGS, PlainResult, plain_study  # noqa: E402
from throughput import SEED, best, study_case  # noqa: E402

from margin.backends.device.space import CudaSpace  # noqa: E402
from margin.backends.run import run  # noqa: E402
from margin.estimates.errors import errors_frame  # noqa: E402
from margin.estimates.yields import yields_of  # noqa: E402
from margin.propagation.run_result import RunResult  # noqa: E402

SIZES = (204_800, 2_048_000, 20_480_000, 98_304_000)
OPTION = "two points"
DEVICE = CudaSpace()
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


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("sizes", nargs="*", type=int, default=SIZES)
    parser.add_argument("--host", type=int, default=2_048_000, help="most units for the host")
    parser.add_argument("--out", type=Path)
    parser.add_argument("--block", type=int)
    given = parser.parse_args()
    card = cupy.cuda.runtime.getDeviceProperties(0)["name"].decode()
    cores = os.cpu_count() or 1
    lines = [
        "# An accelerator against its host",
        "",
        f"{card}, {cores} cores; Python {platform.python_version()}, numpy {np.__version__}, "
        f"CuPy {cupy.__version__}; {DEVICE.name}.",
        "Invented pad of `throughput.py`: 88 readings a unit, two-point calibration, percentiles included, float64.",
        "Command: `python tests/benchmarks/gpu.py" + "".join(f" {s}" for s in given.sizes) + "`",
        "",
        "| evaluations | way | s | M evaluations/s | yield at every check point (95 %) |",
        "|---|---|---|---|---|",
    ]
    print("\n".join(lines), flush=True)

    def row(units: int, way: str, seconds: float, text: str) -> None:
        line = f"| {units * EACH:.2e} | {way} | {seconds:.3f} | {units * EACH / seconds / 1e6:.0f} | {text} |"
        lines.append(line)
        print(line, flush=True)

    started = time.perf_counter()
    run(study_case(20_000), block=given.block, device=DEVICE)
    first = time.perf_counter() - started
    for units in given.sizes:
        case = study_case(units)
        found: list[RunResult] = []
        seconds = best(lambda c=case, k=found: k.append(run(c, block=given.block, device=DEVICE)), 3)
        row(units, f"accelerator ({found[0].path})", seconds, yield_text(found[0]))
        print(f"\nsame bits twice: {apart(found[0], found[1])[0] == 0}", flush=True)
        if units > given.host:
            continue
        script: list[PlainResult] = []
        seconds = best(lambda u=units, s=script: s.append(plain_study(u, SEED)), 1)
        row(units, "host, plain script", seconds, f"{script[0].conforming:.5f}")
        host: list[RunResult] = []
        seconds = best(lambda c=case, h=host: h.append(run(c)), 1)
        row(units, f"host, this program ({host[0].path}), {cores} threads", seconds, yield_text(host[0]))
        print(
            "accelerator against the host: {} counts in another bin, {:.2e} N".format(
                *apart(found[0], host[0])
            )
        )
    lines += [
        "",
        "Accelerator: best of three turns; host: one turn. The first run ever, with what is compiled then: "
        f"{first:.1f} s.",
    ]
    if given.out is not None:
        given.out.write_text("\n".join(lines) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
