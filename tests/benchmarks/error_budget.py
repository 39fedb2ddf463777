"""Time of the effects of causes of a case against that of its bare chain: `python tests/benchmarks/error_budget.py`.

Twenty factors, twelve check loads, five calibration options, 2^13 units, each evaluated as drawn and drawn again: the
effects on all outputs by the way of computing that the budget takes, against drawing and evaluating as many units by
array operations, with the same threads in blocks of the same size. The two take turns, so that what else the machine
does falls on both. Prints the seconds of each and the ratio of every turn; exit code 1 where the median ratio is above
2. Not run by pytest. All values are invented.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time

from margin.case import read_case
from margin.estimates.sensitivity import Study, refine
from margin.estimates.shares.outputs import long_names
from margin.estimates.shares.plan import SharesPlan
from margin.estimates.shares.unit_study import UnitStudy
from margin.propagation.block import block_errors
from margin.propagation.model import Model, model_of
from margin.propagation.plan import default_block, plan_of
from margin.propagation.threads import default_workers, in_threads

FACTORS, LOADS, OPTIONS, UNITS, LIMIT = 20, 12, 5, 1 << 13, 2.0

CASE = """
[case]
unstated = "zero"
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


def effects(model: Model, runs: int, rows: int, threads: int) -> float:
    """Seconds for the units as drawn and drawn again, and the effects on every output."""
    start = time.perf_counter()
    plan = SharesPlan.of(model)
    groups = plan.groups("factor")
    study = Study(tuple(dict.fromkeys(groups)), long_names(model.case), runs, 1e-9, largest=rows)
    units = UnitStudy.of(plan, groups, study.units)
    refine(study, units, lambda work, pieces: in_threads(work, pieces, threads))
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
    names = tuple(dict.fromkeys(small.groups("factor")))
    runs = UNITS * (len(names) + 2)
    model = model_of(read_case(CASE.format(units=runs)))
    case = model.case
    shape = (len(names), len(case.check_loads), len(case.calibrations))
    if shape != (FACTORS, LOADS, OPTIONS):
        raise SystemExit(
            f"the case has {shape} factors, loads and options, not {(FACTORS, LOADS, OPTIONS)}: {names}"
        )
    rows = default_block(case)
    ratios = []
    print(f"{runs:,} evaluations in blocks of {rows}, {asked.threads} threads")
    for _ in range(asked.turns):
        chain, whole = bare(model, rows, asked.threads), effects(model, runs, rows, asked.threads)
        ratios.append(whole / chain)
        print(f"bare chain {chain:.2f} s, effects {whole:.2f} s, ratio {ratios[-1]:.2f}", flush=True)
    found = statistics.median(ratios)
    print(f"median ratio {found:.2f}, at most {LIMIT:g} is wanted")
    return int(found > LIMIT)


if __name__ == "__main__":
    sys.exit(main())
