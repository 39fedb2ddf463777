"""Time and peak memory of bench data: `python tests/benchmarks/bench_scale.py [rows]`.

Ten thousand readings are read, judged, fitted and split into components as single readings. Then files of ever more
readings, up to a million (or as stated), are condensed: seconds, peak memory of the process, and what the analysis of
the means takes. Last the longest file goes through `margin bench`, condensed and whole. All values invented. Not run by
pytest.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from long_bench import FEEDBACK, STAYS, write_long_bench

from margin.bench import BenchData, figures_of_merit, fit_sensor, read_bench, spreads_of
from margin.bench.data.weights import column, readings
from margin.bench.summary import condense_bench

A_STAY = STAYS + 80


def analyse(data: BenchData) -> tuple[float, float, float]:
    """Seconds for figures of merit, the fits of one sensor and the components of variance."""
    turned = data.converted({"unstated": lambda voltage: voltage / FEEDBACK}, "conductance", "S")
    one = turned.usable()
    one = one[(one["sensor"] == "S0") & (one["branch"] == "up")]
    loads, outputs = one["load_N"].to_numpy(dtype=float), one["output"].to_numpy(dtype=float)
    parts: tuple[Callable[[], object], ...] = (
        lambda: figures_of_merit(turned),
        lambda: fit_sensor(loads, outputs, "thin film", counts=readings(one), squares=column(one, "squares")),
        lambda: spreads_of(turned, "thin film"),
    )
    seconds = []
    for part in parts:
        start = time.perf_counter()
        part()
        seconds.append(time.perf_counter() - start)
    return seconds[0], seconds[1], seconds[2]


def report(title: str, read: Callable[[], BenchData], rows: int) -> None:
    """Read, analyse, print one line."""
    start = time.perf_counter()
    data = read()
    seconds = time.perf_counter() - start
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    merits, fit, parts = analyse(data)
    print(
        f"{title:<10}{rows:>10,} rows, {len(data.frame):>7,} in memory: read {seconds:6.2f} s, peak {peak:4.0f} MB, "
        f"figures {merits:.2f} s, fits {fit:.2f} s, components {parts:.2f} s",
        flush=True,
    )


def whole_command(path: Path, *options: str) -> None:
    """Time and peak memory of `margin bench`; the peak is that of the largest command so far."""
    start = time.perf_counter()
    subprocess.run([sys.executable, "-m", "margin", "bench", str(path), "--quiet", *options], check=True)
    seconds = time.perf_counter() - start
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024.0
    print(f"margin bench {' '.join(options)}: {seconds:.1f} s, peak {peak:.0f} MB", flush=True)


def main() -> None:
    """Condensed files first: the peak of a process never falls."""
    most = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bench.csv"
        for share in (100, 10, 3, 1):
            rows = write_long_bench(path, -(-most // share // A_STAY))
            report("condensed", lambda: condense_bench(path), rows)
        rows = write_long_bench(path, -(-10_000 // A_STAY))
        report("single", lambda: read_bench(path), rows)
        write_long_bench(path, -(-most // A_STAY))
        circuit = (
            f'[unstated]\nkind = "inverting amplifier"\nreference = "1 V"\nfeedback = "{FEEDBACK:g} ohm"\n'
        )
        path.with_suffix(".circuits.toml").write_text(circuit, encoding="utf-8")
        whole_command(path, "--condense")
        whole_command(path)


if __name__ == "__main__":
    main()
