"""Time of Sobol indices of a whole case against that of its bare chain: `python tests/benchmarks/error_budget.py`.

Twenty factors, twelve check loads, five calibration options, 2^13 base points: the plan, its runs and the indices of
all outputs, against drawing and evaluating as many units with the same threads in blocks of the same size. The two
take turns, so that what else the machine does falls on both. Prints the seconds of each and their ratio; exit code 1
where the median ratio is above 2. Not run by pytest. All values are invented.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time

from margin.case import Case, read_case
from margin.case.toml_reader import read_toml
from margin.estimates.sensitivity import SobolDesign, run, sobol_indices
from margin.estimates.shares.plan import SharesPlan
from margin.propagation.draws import Grouping
from margin.propagation.plan import default_block
from margin.propagation.run import block_errors, default_workers, in_threads, model_of

FACTORS, LOADS, OPTIONS = 20, 12, 5
BASE = 1 << 13
LIMIT = 2.0
