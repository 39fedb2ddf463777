"""Time and peak memory of a study of many units: `python tests/benchmarks/large_run.py 10000000`.

Eleven loads, one reading each, three calibration options. Prints units, seconds, readings judged a second (one for
each option) and the peak memory of the process. Not run by pytest.
"""

from __future__ import annotations

import resource
import sys
import time

from margin.backends.run import run
from margin.case import read_case

CASE = """
[case]
unstated = "zero"
[load]
range = "2 N to 60 N"
check = 11
[requirement]
permissible_error = "larger of 10 % of reading and 1 N"
[sensor]
kind = "thin film"
sensitivity = "40 uS +/- 8 % (2 sigma) per lot, +/- 16 % (2 sigma) per unit"
reference_load = "20 N"
exponent = "0.85 +/- 0.02 (2 sigma)"
temperature_coefficient = "0.1 %/K +/- 0.05 %/K"
reload_scatter = "1.5 %"
[circuit]
kind = "inverting amplifier"
reference = "1.2 V +/- 1 %"
feedback = "6.2 kohm +/- 1 %"
offset = "0 mV +/- 1 mV"
[converter]
bits = 12
noise = 0.7
[use]
temperature = "5 degC to 40 degC"
conditions = 1
loadings = 1
[[calibration]]
kind = "none"
[[calibration]]
kind = "one-point"
loads = ["30 N"]
[[calibration]]
kind = "two-point"
loads = ["8 N", "50 N"]
[study]
units = {units}
"""


def main() -> None:
    """Run once with the number of units given."""
    units = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    case = read_case(CASE.format(units=units))
    start = time.perf_counter()
    found = run(case)
    seconds = time.perf_counter() - start
    judged = found.plan.frame.units * found.plan.frame.loads.size * len(case.calibrations)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    print(
        f"{found.plan.frame.units:,} units x 11 loads x {len(case.calibrations)} options: {seconds:.1f} s, "
        f"{judged / seconds / 1e6:.1f} M readings/s, peak {peak:.0f} MB"
    )


if __name__ == "__main__":
    main()
