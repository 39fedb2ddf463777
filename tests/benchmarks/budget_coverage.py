"""How often intervals and ranks of a budget agree with a closed form: `python tests/benchmarks/budget_coverage.py`.

Options: [--seeds 200] [--study WORD]. A line for each study whose name holds WORD: the shares of seeds, in percent,
in which the 95 % intervals of the changes of yield and of error hold the closed form (mean over causes and changes,
then the lowest of them), in which the cause that leads ranks first (alone or tied), and in which another one is named
as the only leader. 'lots of 8' puts lots of eight units through the statistics alone: a budget draws one unit of a lot
unless every lot has a curve. Not run by pytest; a smaller version is tests/estimates/test_budget_coverage.py.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pandas as pd

TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(TESTS), str(TESTS.parent)]

from budget_study import (  # noqa: E402
    CLEAR,
    CLOSE,
    LOT_CURVE,
    LOT_LEADS,
    NO_LOTS,
    WITH_STATION,
    Parts,
    agreement,
    budgets,
    station_case,
)
from clustered_budget import clustered_budgets  # noqa: E402

PARTS = {"clear": CLEAR, "lot leads": LOT_LEADS, "close": CLOSE}


def studies(seeds: int) -> Iterable[tuple[str, Parts, Iterable[pd.DataFrame]]]:
    """Name, closed form and budgets of each study."""
    each = range(seeds)
    for units in (160, 1600):
        for name, parts in PARTS.items():
            yield f"{units} units, lots: {name}", parts, budgets(parts.case(units), each)
    for name, parts in PARTS.items():
        yield f"2000 units, lots with a curve: {name}", parts, budgets(parts.case(2000, LOT_CURVE), each)
    for units in (160, 2000):
        yield f"{units} units, no lots", NO_LOTS, budgets(NO_LOTS.case(units), each)
        yield f"{units} units, station", WITH_STATION, budgets(station_case(units), each)
    for lots in (20, 200):
        for name, parts in PARTS.items():
            yield f"{lots} lots of 8: {name}", parts, clustered_budgets(parts, lots, 8, each)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, default=200)
    parser.add_argument("--study", default="")
    asked = parser.parse_args()
    print(f"{'study':<42}{'yield':>7}{'least':>7}{'error':>7}{'least':>7}{'first':>7}{'wrong':>7}")
    for name, parts, found in studies(asked.seeds):
        if asked.study not in name:
            continue
        result = agreement(parts, found)
        shares = [
            value
            for held in (result.yields, result.errors)
            for value in (held.mean(), held.mean(axis=0).min())
        ]
        shares += [result.first.mean(axis=0).min(), result.wrong.mean(axis=0).max()]
        print(f"{name:<42}" + "".join(f"{100.0 * np.float64(share):7.1f}" for share in shares), flush=True)


if __name__ == "__main__":
    main()
