"""Seconds and peak memory against the number of units: `python tests/benchmarks/scaling.py`.

The case of large_run.py in a process of its own for each size, 1e4 to 1e7 units (1e8 with `--to 1e8`). Prints a table
and writes `scaling.svg` beside this file, with the line of a cost in proportion to the units. Not run by pytest.
"""

from __future__ import annotations

import argparse
import multiprocessing
import resource
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from large_run import CASE

from margin.case import read_case
from margin.propagation.run import run

PLOT = Path(__file__).with_name("scaling.svg")


def measured(units: int) -> tuple[float, float]:
    """Seconds of a run and peak memory, MB, of this process. A small run first takes what is done but once."""
    run(read_case(CASE.format(units=1000)))
    start = time.perf_counter()
    run(read_case(CASE.format(units=units)))
    seconds = time.perf_counter() - start
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return seconds, peak / (2**20 if sys.platform == "darwin" else 2**10)


def apart(units: int) -> tuple[float, float]:
    """`measured` in a fresh process, so that the peak is that of one run."""
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
        return pool.submit(measured, units).result()


def plot(sizes: list[int], seconds: list[float], memory: list[float]) -> str:
    """Both against the units, on logarithmic axes, as SVG text."""
    from margin.report import style

    with style.settings():
        figure = style.new_figure(6.4, 2.8)
        left, right = figure.subplots(1, 2)
        proportional = [seconds[-1] * units / sizes[-1] for units in sizes]
        left.loglog(sizes, proportional, color=style.GREY, lw=1.0, ls="--", label="in proportion to units")
        left.loglog(sizes, seconds, color=style.BLUE, marker="o", ms=4, lw=1.4, label="measured")
        left.set_ylabel("Time (s)")
        left.legend(frameon=False)
        right.semilogx(sizes, memory, color=style.VERMILLION, marker="s", ms=4, lw=1.4)
        right.set_ylim(0.0, 1.3 * max(memory))
        right.set_ylabel("Peak memory (MB)")
        for axes in (left, right):
            axes.set_xlabel("Units")
        return style.svg(figure, "scaling")


def main() -> None:
    """Measure, print and draw."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument(
        "--to", type=float, default=1e7, help="largest number of units, a power of ten from 1e4"
    )
    parser.add_argument("--plot", type=Path, default=PLOT, help="SVG file to write")
    chosen = parser.parse_args()
    sizes = [10**power for power in range(4, 10) if 10**power <= chosen.to]
    seconds, memory = [], []
    print("      units    seconds  units/s   peak MB")
    for units in sizes:
        took, peak = apart(units)
        seconds.append(took)
        memory.append(peak)
        print(f"{units:11,d} {took:10.2f} {units / took:8.0f} {peak:9.0f}", flush=True)
    chosen.plot.write_text(plot(sizes, seconds, memory), encoding="utf-8")


if __name__ == "__main__":
    main()
