"""Seconds and peak memory against the number of units: `python tests/benchmarks/scaling.py`.

The case of large_run.py in a process of its own for each size, 1e4 to 1e7 units (1e8 with `--to 1e8`). Small sizes are
run several times and the fastest counts. Prints a table, and writes after each size a CSV and a figure beside this
file: a run that is cut off goes on with the sizes that are missing, as long as code and cores are the same. Not run by
pytest.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import resource
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd
from large_run import CASE

from margin.backends.compiled.choose import CannotCompile
from margin.backends.run import run
from margin.case import read_case
from margin.propagation.identity import environment

if TYPE_CHECKING:
    from matplotlib.figure import Figure

PLOT = Path(__file__).with_name("scaling.svg")
COLUMNS = ("units", "seconds", "peak_MB", "path", "repeats", "cores", "code")
REPEATS = {10**4: 7, 10**5: 7, 10**6: 3}
WAYS = {"arrays": ("by array operations", "white"), "kernel": ("by a compiled kernel", None)}


def cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def measured(units: int) -> dict[str, float | int | str]:
    """One row of the table, by this process; what is done but once in a process is done before."""
    small = read_case(CASE.format(units=1000))
    run(small, compiled=False)
    try:
        run(small, compiled=True)
    except CannotCompile as fault:
        print(f"without a compiled kernel: {fault}", file=sys.stderr)
    case, repeats = read_case(CASE.format(units=units)), REPEATS.get(units, 1)
    seconds = []
    for _ in range(repeats):
        start = time.perf_counter()
        path = run(case).path
        seconds.append(time.perf_counter() - start)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    megabytes = peak / (2**20 if sys.platform == "darwin" else 2**10)
    return {
        "units": units,
        "seconds": min(seconds),
        "peak_MB": megabytes,
        "path": path,
        "repeats": repeats,
        "cores": cores(),
        "code": environment()["code"],
    }


def apart(units: int) -> dict[str, float | int | str]:
    """`measured` in a fresh process, so that the peak is that of one size."""
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
        return pool.submit(measured, units).result()


def kept(path: Path) -> pd.DataFrame:
    """Rows measured before with this code on so many cores; none where there is no such file."""
    rows = pd.read_csv(path) if path.is_file() else pd.DataFrame(columns=list(COLUMNS))
    return rows[(rows["code"] == environment()["code"]) & (rows["cores"] == cores())]


def drawn(rows: pd.DataFrame) -> Figure:
    """Time and memory against the units, side by side."""
    from margin.report import style

    figure = style.new_figure(7.0, 3.1)
    left, right = figure.subplots(1, 2)
    units, seconds, memory = (rows[name].to_numpy(dtype=float) for name in ("units", "seconds", "peak_MB"))
    for axes, values, colour, marker in (
        (left, seconds, style.BLUE, "o"),
        (right, memory, style.VERMILLION, "s"),
    ):
        axes.plot(units, values, color=colour, lw=1.4, zorder=2)
        for path, (label, face) in WAYS.items():
            of = (rows["path"] == path).to_numpy()
            if of.any():
                axes.plot(
                    units[of], values[of], color=colour, ls="", marker=marker, ms=5.0, mfc=face or colour,
                    label=label, zorder=3,
                )  # fmt: skip
        axes.set_xscale("log")
        axes.set_xlim(units[0] / 2.0, 2.0 * units[-1])
        axes.set_xlabel("Units")
    left.plot(
        units, seconds[-1] * units / units[-1], color=style.GREY, lw=1.0, ls="--", zorder=1,
        label="in proportion to units",
    )  # fmt: skip
    left.set_yscale("log")
    left.legend(frameon=False, fontsize=8.5, loc="upper left")
    for axes in (left, right):
        axes.minorticks_off()
    left.yaxis.set_major_formatter("{x:g}")
    left.set_ylabel("Time (s)")
    left.set_ylim(top=100.0 * seconds[-1])
    left.annotate(
        f"{seconds[-1]:.3g} s", (units[-1], seconds[-1]), (-6, 7), textcoords="offset points", ha="right"
    )
    right.set_ylim(0.0, 1.3 * memory.max())
    right.set_ylabel("Peak memory (MB)")
    right.annotate(
        f"{memory[-1]:.0f} MB", (units[-1], memory[-1]), (0, 8), textcoords="offset points", ha="right"
    )
    count = int(rows["cores"].iloc[-1])
    figure.suptitle(
        f"11 loads and 3 calibration options for each unit, {count} core{'s' if count > 1 else ''}",
        fontsize=9.5, x=0.01, ha="left",
    )  # fmt: skip
    return figure


def write_plot(rows: pd.DataFrame, path: Path) -> None:
    """The figure as SVG, or as a picture where the name ends so."""
    from margin.report import style

    with style.settings():
        figure = drawn(rows)
        if path.suffix == ".svg":
            path.write_text(style.svg(figure, "scaling"), encoding="utf-8")
        else:
            figure.savefig(path, dpi=150)


def main() -> None:
    """Measure, print and draw."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument(
        "--to", type=float, default=1e7, help="largest number of units, a power of ten from 1e4"
    )
    parser.add_argument("--plot", type=Path, default=PLOT, help="figure to write; the CSV lies beside it")
    parser.add_argument("--again", action="store_true", help="measure all sizes, also those in the CSV")
    chosen = parser.parse_args()
    sizes = [10**power for power in range(4, 10) if 10**power <= chosen.to]
    if not sizes:
        parser.error(f"--to {chosen.to:g}: the smallest number is 1e4")
    table = chosen.plot.with_suffix(".csv")
    rows = kept(table).iloc[:0] if chosen.again else kept(table)
    print("      units    seconds  units/s   peak MB  path")
    for units in sizes:
        if units not in rows["units"].tolist():
            rows = pd.DataFrame([*rows.to_dict("records"), apart(units)]).sort_values("units")
            rows.to_csv(table, index=False)
            write_plot(rows, chosen.plot)
        _, took, peak, path, *_ = next(row for row in rows.itertuples(index=False) if row.units == units)
        print(f"{units:11,d} {took:10.2f} {units / took:8.0f} {peak:9.0f}  {path}", flush=True)
    write_plot(rows, chosen.plot)


if __name__ == "__main__":
    main()
