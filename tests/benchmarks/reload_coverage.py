"""Coverage of the reload scatter over the load: `python tests/benchmarks/reload_coverage.py [--seeds 200]`.

A line for each kind of bench: share of invented benches in which the 95 % interval of the scatter at the lowest, the
reference and the highest load holds the truth, share in which a change with the load is written, and the scatter of
the model relative to the truth, geometric mean over benches, at the same loads. Not run by pytest; kept:
reload_coverage.md.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from scattered_bench import LOADS, REFERENCE, bridge_scatter, film_scatter, points_of, scattered_bench

from margin.bench.reload_scatter import reload_scatter

SINGLE: dict[str, Any] = {"cycles": 1, "mountings": 3}
FILMS: list[tuple[str, float, dict[str, Any]]] = [
    ("constant", 0.0, {}),
    ("constant, cycles move as one", 0.0, {"together": True}),
    ("grows, p = 0.8", 0.8, {}),
    ("grows, p = 0.8, cycles move as one", 0.8, {"together": True}),
    ("grows little, p = 0.15", 0.15, {}),
    ("falls, p = -0.6", -0.6, {}),
    ("grows, p = 0.8, 2 sensors x 3 mountings x 3 cycles", 0.8, {"sensors": 2, "mountings": 3, "cycles": 3}),
    ("grows, p = 0.8, 1 sensor x 1 mounting x 10 cycles", 0.8, {"sensors": 1, "mountings": 1, "cycles": 10}),
    ("constant, single cycles", 0.0, SINGLE),
    ("grows, p = 0.8, single cycles", 0.8, SINGLE),
]
BRIDGES: list[tuple[str, float, float, dict[str, Any]]] = [
    ("of the zero", 0.002, 0.0, {}),
    ("of zero and span", 0.001, 0.005, {}),
    ("of the span", 0.0, 0.005, {}),
    ("of the zero, single cycles", 0.002, 0.0, SINGLE),
]


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=200)
    seeds = parser.parse_args().seeds
    rows = [
        ("thin film, " + name, film_scatter(LOADS, 0.02, p), "thin film", made) for name, p, made in FILMS
    ]
    rows += [
        ("bridge, " + name, bridge_scatter(LOADS, zero, span), "strain-gauge bridge", made)
        for name, zero, span, made in BRIDGES
    ]
    print("| bench | held at low, reference, high load (%) | change written (%) | model / truth |")
    print("|---|---|---|---|")
    for name, truth, kind, made in rows:
        held, written, ratio = np.zeros(3), 0, np.zeros(3)
        for seed in range(seeds):
            frame = scattered_bench(np.random.default_rng(seed), truth, kind=kind, **made)
            anchor = REFERENCE if kind == "thin film" else float(LOADS[-1])
            found = reload_scatter(points_of(frame), kind, anchor)  # type: ignore[arg-type]
            places = [0, 2, 4]
            low, high = found.interval(LOADS[places])
            held += (low <= truth[places]) & (truth[places] <= high)
            ratio += np.log(found.at(LOADS[places]) / truth[places])
            written += found.resolved
        shares = ", ".join(f"{100 * h / seeds:.1f}" for h in held)
        ratios = ", ".join(f"{r:.2f}" for r in np.exp(ratio / seeds))
        print(f"| {name} | {shares} | {100 * written / seeds:.1f} | {ratios} |", flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
