"""Time of Sobol indices of a whole case against that of its bare chain: `python tests/benchmarks/error_budget.py`.

Twenty factors, twelve check loads, five calibration options, 2^13 base points: the plan, its runs and the indices of
all outputs, against drawing and evaluating as many units with the same threads in blocks of the same size. The two
take turns, so that what else the machine does falls on both. Prints the seconds of each and the ratio of every turn;
exit code 1 where the median ratio is above 2. Not run by pytest. All values are invented.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time

from margin.case import read_case
from margin.estimates.sensitivity import SobolDesign, run, sobol_indices
from margin.estimates.shares.plan import SharesPlan
from margin.propagation.block import block_errors
from margin.propagation.model import Model, model_of
from margin.propagation.plan import default_block, plan_of
from margin.propagation.threads import default_workers, in_threads

FACTORS, LOADS, OPTIONS, BASE, LIMIT = 20, 12, 5, 1 << 13, 2.0

CASE = """
[load]
range = "2 N to 60 N"
check = 12
[requirement]
permissible_error = "larger of 10 % of reading and 1 N"
[sensor]
kind = "thin film"
sensitivity = "40 uS +/- 8 % (2 sigma) per lot, +/- 16 % (2 sigma) per unit"
reference_load = "20 N"
exponent = "0.85 +/- 0.02 (2 sigma)"
offset_conductance = "0 uS +/- 0.5 uS"
hysteresis = "2 % +/- 1 %"
creep = "2 % +/- 1 %"
temperature_coefficient = "0.1 %/K +/- 0.05 %/K"
reload_scatter = "1.5 %"
[circuit]
kind = "inverting amplifier"
reference = "1.2 V +/- 1 %"
feedback = "6.2 kohm +/- 1 %"
feedback_tempco = "0 ppm/K +/- 100 ppm/K"
offset = "0 mV +/- 1 mV"
[converter]
bits = 12
noise = 0.7
[use]
temperature = "5 degC to 40 degC"
dwell = "1 s to 60 s"
direction = "either"
conditions = 1
loadings = 1
[station]
reference_gain = "+/- 0.5 %"
temperature = "20 degC to 26 degC"
[[calibration]]
kind = "none"
[[calibration]]
kind = "one-point"
loads = ["30 N"]
[[calibration]]
kind = "two-point"
loads = ["8 N", "50 N"]
[[calibration]]
kind = "multi-point"
name = "three points"
loads = ["8 N", "30 N", "50 N"]
degree = 1
[[calibration]]
kind = "multi-point"
name = "three points, logarithm"
loads = ["8 N", "30 N", "50 N"]
degree = 1
space = "logarithm"
[study]
units = {units}
"""


def indices(model: Model, design: SobolDesign, rows: int, threads: int) -> float:
    """Seconds for the points, the runs and the indices of every output."""
    start = time.perf_counter()
    outputs = SharesPlan.of(model).outputs()
    evaluated = run(
        design,
        outputs,
        outputs.names,
        piece_rows=rows,
        mapped=lambda work, pieces: in_threads(work, pieces, threads),
    )
    sobol_indices(evaluated)
    return time.perf_counter() - start


def bare(model: Model, rows: int, threads: int) -> float:
    """Seconds for drawing the units of the study and for their errors alone."""
    plan = plan_of(model.case)
    start = time.perf_counter()

    def work(block: tuple[int, int]) -> None:
        block_errors(model, model.source(plan.frame.grouping, *block), block[1])

    units = plan.frame.units
    blocks = ((first, min(rows, units - first)) for first in range(0, units, rows))
    for _ in in_threads(work, blocks, threads):
        pass
    return time.perf_counter() - start


def main() -> int:
    """Measure as many turns as are asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--turns", type=int, default=3)
    parser.add_argument("--threads", type=int, default=default_workers())
    asked = parser.parse_args()
    small = SharesPlan.of(model_of(read_case(CASE.format(units=1000))))
    design = SobolDesign(small.groups("factor"), BASE)
    model = model_of(read_case(CASE.format(units=design.runs)))
    case = model.case
    shape = (len(design.names), len(case.check_loads), len(case.calibrations))
    if shape != (FACTORS, LOADS, OPTIONS):
        raise SystemExit(
            f"the case has {shape} factors, loads and options, not {(FACTORS, LOADS, OPTIONS)}: {design.names}"
        )
    rows = default_block(case)
    ratios = []
    print(f"{design.runs:,} units in blocks of {rows}, {asked.threads} threads")
    for _ in range(asked.turns):
        chain, whole = bare(model, rows, asked.threads), indices(model, design, rows, asked.threads)
        ratios.append(whole / chain)
        print(f"bare chain {chain:.2f} s, indices {whole:.2f} s, ratio {ratios[-1]:.2f}", flush=True)
    found = statistics.median(ratios)
    print(f"median ratio {found:.2f}, at most {LIMIT:g} is wanted")
    return int(found > LIMIT)


if __name__ == "__main__":
    sys.exit(main())
