"""Coverage of intervals from the bench: `python tests/benchmarks/bench_coverage.py [benches] [studies]`.

200 invented benches of known truth are read, judged and analysed; the 95 % intervals of sensitivity, spreads, reload
scatter, drift and yield must hold the truth in 90 % to 98 % of them. Then benches go through the whole study, their
spread stated 'from 6 units': its 5 % to 95 % range of the yield must hold the true yield in 84 % to 96 % of them.
(With few benches or studies: within what binomial scatter leaves to these limits, 1 in 1000.) Prints a table; the exit
status is 1 where a coverage lies outside. All values invented. Not run by pytest.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
from scipy import stats

sys.path.insert(0, str(Path(__file__).parents[1]))

from invented_bench import SENSOR, SENSORS, TRUTH, coverage, invented_bench
from pad_study import NONE, pad_case

from margin.bench import read_bench, spreads_of
from margin.estimates.evaluate import evaluate

PERMISSIBLE = 0.15
FULL = 200
"""Benches from which on the limits hold as they stand."""


def studied(rng: np.random.Generator) -> tuple[float, float, float]:
    """True yield, and the ends of the range that the study gives, of a pad designed on one bench.

    The firmware takes the bench's mean sensitivity for every unit; a unit conforms whose sensitivity lies within the
    permissible error of it.
    """
    parts = spreads_of(read_bench(invented_bench(rng)), "thin film", reference_load=10.0).components
    found = parts["ln_sensitivity"]
    spread = 200 * float(found["sensor"].sd or 0.0)
    case = pad_case(
        NONE,
        load={"range": "10 N to 20 N", "check": 2},
        requirement={"permissible_error": f"{100 * PERMISSIBLE:g} % of reading"},
        sensor={
            "kind": "thin film",
            "sensitivity": f"{1e6 * np.exp(found.mean):.6f} uS +/- {spread:.5f} % (2 sigma, from {SENSORS} units)",
            "reference_load": "10 N",
            "exponent": "1",
        },
        circuit={"kind": "inverting amplifier", "reference": "0.6 V", "feedback": "10 kohm"},
        study={"units": 12_800, "outer": 128},
    )
    option = evaluate(case, with_budget=False).options[0]
    low, high = option.yields[option.decisive].knowledge or (0.0, 1.0)
    ends = np.log1p([-PERMISSIBLE, PERMISSIBLE]) + found.mean - TRUTH["ln sensitivity"]
    return float(np.diff(stats.norm.cdf(ends / SENSOR))[0]), low, high


def judged(name: str, hits: int, count: int, least: float, most: float) -> bool:
    """Print one line; whether the coverage lies within its limits."""
    low, high = least * count, most * count
    if count < FULL:
        low, high = stats.binom.ppf(5e-4, count, least), stats.binom.ppf(1 - 5e-4, count, most)
    within = bool(low <= hits <= high)
    limits = f"{low / count:.0%} to {high / count:.0%}"
    print(
        f"{name:<34}{hits:>5} of {count:<5}{hits / count:>7.1%}   {limits:<14}{'' if within else 'OUTSIDE'}"
    )
    return within


def main() -> int:
    """Print the coverage of every figure; 1 where one lies outside."""
    benches = int(sys.argv[1]) if len(sys.argv) > 1 else FULL
    studies = int(sys.argv[2]) if len(sys.argv) > 2 else 60
    start = time.perf_counter()
    within = [judged(name, hits, benches, 0.90, 0.98) for name, hits in coverage(benches, seed=41).items()]
    print(f"{benches} benches: {time.perf_counter() - start:.0f} s", flush=True)
    start, hits, rng = time.perf_counter(), 0, np.random.default_rng(42)
    for _ in range(studies):
        truth, low, high = studied(rng)
        hits += low <= truth <= high
    within.append(judged("yield of the whole study, 90 %", hits, studies, 0.84, 0.96))
    print(f"{studies} studies: {time.perf_counter() - start:.0f} s")
    return 0 if all(within) else 1


if __name__ == "__main__":
    sys.exit(main())
