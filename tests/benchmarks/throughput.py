"""Speed against the plain script: the same study, ratio of times, evaluations a second, peak memory.

    python tests/benchmarks/throughput.py [--workers 2] [UNITS ...]

Times are paired in one process, the best of several turns (so that the kernel is compiled already);
memory is the peak of a process of its own.
"""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2])]

from plain_script import CONDITIONS, LOADINGS, LOADS, READINGS, plain_study  # noqa: E402

from margin.backends.run import run  # noqa: E402
from margin.case import Case, read_case, with_changes  # noqa: E402
from margin.estimates.yields import yields_of  # noqa: E402

SIZES = (2_000, 20_000, 200_000)
SEED = 5
PLAIN = "plain script"
WAYS = {"array blocks": False, "compiled kernel": True, "by itself": None}
"""Ways of this program: what it is told of the kernel."""

CASE = """
[load]
range = "2 N to 60 N"
check = 11
[requirement]
permissible_error = "larger of 12 % of reading and 1 N"
[interface]
kind = "direct"
[sensor]
kind = "thin film"
reference_load = "20 N"
sensitivity = "40 uS +/- 10 % (2 sigma)"
exponent = "0.85 +/- 0.02 (2 sigma)"
offset_conductance = "0.2 uS +/- 0.1 uS"
temperature_coefficient = "-0.2 %/K +/- 0.1 %/K (2 sigma)"
creep = "2 % +/- 0.6 % (2 sigma)"
reload_scatter = "1.5 %"
[circuit]
kind = "inverting amplifier"
reference = "3.0 V +/- 0.5 %"
drive_ratio = 0.3
bias_ratio = 0.3
feedback = "12 kohm +/- 1 %"
offset = "0 mV +/- 2 mV"
[converter]
bits = 12
gain_error = "0 % +/- 0.2 %"
offset = "0 +/- 2"
noise = 0.7
[use]
temperature = "5 degC to 40 degC"
dwell = "0.3 s to 3 s"
[station]
temperature = "23 degC +/- 2 K"
reference_scatter = "0.05 N"
[[calibration]]
name = "two points"
kind = "two-point"
loads = ["6 N", "54 N"]
[case]
unstated = "zero"
reference_temperature = "23 degC"
[study]
outer = 1
"""


def study_case(units: int) -> Case:
    """The case of the plain script."""
    case = read_case(tomllib.loads(CASE))
    return with_changes(
        case,
        {
            "study.units": units, "study.seed": SEED, "use.conditions": CONDITIONS, "use.loadings": LOADINGS,
            "use.readings": READINGS,
        },
    )  # fmt: skip


def best(work: Callable[[], object], turns: int) -> float:
    """Shortest time of several turns, s."""
    times = []
    for _ in range(turns):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def alone(way: str, units: int, workers: int | None) -> tuple[float, float, float]:
    """Shortest time, s, peak memory, MB, and yield of a way in a process of its own.

    What one way leaves behind, such as memory that the C library keeps, would help or hinder the next.
    """
    command = [sys.executable, __file__, "--only", way, str(units)]
    if workers is not None:
        command += ["--workers", str(workers)]
    found = subprocess.run(command, check=True, capture_output=True, text=True).stdout.split()
    return float(found[-3]), float(found[-2]), float(found[-1])


def measured(way: str, units: int, workers: int | None) -> str:
    """The numbers of `alone`, by this process."""
    shares: list[float] = []
    case = study_case(units)

    def work() -> None:
        if way == PLAIN:
            shares.append(plain_study(units, SEED).conforming)
            return
        drawn = run(case, workers=workers, compiled=WAYS[way])
        found = yields_of(drawn.plan.frame, drawn.tallies["two points"], 0.95)
        shares.append(found["units at every check point"].sampled.value)

    seconds = best(work, max(4, min(12, 400_000 // units)))
    # the peak of this process alone; getrusage would hand down that of the one that started it
    found = re.search(r"VmHWM:\s+(\d+)", Path("/proc/self/status").read_text())
    peak = float(found[1]) / 1024.0 if found else float("nan")
    return f"{seconds} {peak} {shares[-1]}"


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("sizes", nargs="*", type=int, default=SIZES)
    parser.add_argument("--workers", type=int, help="threads; default as the program chooses")
    parser.add_argument("--only", choices=(PLAIN, *WAYS), help="one way at the first size, bare numbers")
    given = parser.parse_args()
    if given.only:
        print(measured(given.only, given.sizes[0], given.workers))
        return 0
    readings = CONDITIONS * LOADINGS * READINGS * LOADS.size
    print(f"{'units':>9} {'way':<14} {'s':>8} {'M evaluations/s':>16} {'ratio':>6} {'MB':>6} {'yield':>8}")
    for units in given.sizes:
        first = None
        for way in (PLAIN, *WAYS):
            seconds, memory, share = alone(way, units, given.workers)
            first = seconds if first is None else first
            rate = units * readings / seconds / 1e6
            line = f"{units:>9} {way:<14} {seconds:>8.3f} {rate:>16.1f} {first / seconds:>6.2f}"
            print(f"{line} {memory:>6.0f} {share:>8.4f}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
