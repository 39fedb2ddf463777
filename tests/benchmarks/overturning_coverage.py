"""How often intervals of turning values cover the exact value, and whether verdicts beside it are opposite.

    python tests/benchmarks/overturning_coverage.py --seeds 20

Cases whose yield is known in closed form (see `tests/turning_cases.py`), through the real engine, over many seeds. A
row gives the exact turning value, mean and scatter of those found, the share of seeds whose interval contains the exact
one, and, of the seeds whose interval is narrower than 6 % of the value, the share in which the case run again at 0.97
and 1.03 times the value has opposite verdicts. The table is kept in overturning_coverage.md.
"""

from __future__ import annotations

import argparse
import dataclasses
import math
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from turning_cases import (
    OHM,
    TURNING_HALF_WIDTH,
    TURNING_SD,
    line_case,
    turning_alone,
    turning_beside_common,
    turning_multiple,
    turning_shift,
)

from margin.backends.run import run
from margin.case import Case
from margin.design.overturning import Overturning, overturning
from margin.design.overturning.moves import Move, moves_of
from margin.design.overturning.written import moved_case
from margin.estimates.advice.trials import yield_in
from margin.estimates.yield_result import Estimate
from margin.propagation.plan import plan_of

NARROW = 0.06
UNITS = 16_000


@dataclass(frozen=True)
class Row:
    """A case with the turning value that is exact there."""

    name: str
    make: Callable[[int], Case]
    kind: str
    sign: int
    exact: float
    outer: int | None = None
    units: int = UNITS

    def found(self, result: Overturning) -> Estimate:
        """The turning value in the unit of `exact`."""
        if self.kind == "pair":
            score = result.pairs[0].score
            return Estimate(*(2.0**end for end in (score.value, score.low, score.high)))
        one = next(
            t for t in result.turnings if (t.kind, t.sign, t.quantity) == (self.kind, self.sign, QUANTITY)
        )
        assert one.value is not None
        return one.value


QUANTITY = "circuit.feedback"


def rows() -> Iterator[Row]:
    """Cases of one normal, one rectangular, a shifted, a common and two normal errors."""
    units = UNITS
    yield Row(
        "size of a normal error",
        lambda s: line_case("60 kohm +/- 2 % (2 sigma)", units=units, seed=s),
        "size",
        1,
        100.0 * TURNING_SD,
    )
    yield Row(
        "size, from a design that fails",
        lambda s: line_case("60 kohm +/- 9 % (2 sigma)", units=units, seed=s),
        "size",
        -1,
        100.0 * TURNING_SD,
    )
    yield Row(
        "size of a rectangular error",
        lambda s: line_case("60 kohm +/- 2 %", units=units, seed=s),
        "size",
        1,
        100.0 * TURNING_HALF_WIDTH,
    )
    yield Row(
        "mean of a normal error, up",
        lambda s: line_case("60 kohm +/- 2 % (2 sigma)", units=units, seed=s),
        "value",
        1,
        OHM * (1.0 + turning_shift(0.01, 1)),
    )
    yield Row(
        "true value within a band, down",
        lambda s: line_case(
            "60 kohm +/- 1 % per common, +/- 2 % (2 sigma) per unit", units=units, seed=s, outer=None
        ),
        "effect",
        -1,
        OHM * (1.0 + turning_shift(0.01, -1)),
    )
    yield Row(
        "size beside a common error, 200 outer draws",
        lambda s: line_case(
            "60 kohm +/- 1.5 % per common, +/- 2 % (2 sigma) per unit", units=12_800, seed=s, outer=None
        ),
        "size",
        1,
        100.0 * turning_beside_common(0.015),
        200,
        12_800,
    )
    yield Row(
        "size of one of two normal errors",
        lambda s: line_case(
            "60 kohm +/- 2 % (2 sigma)", sensitivity="4 uS +/- 3 % (2 sigma) per unit", units=units, seed=s
        ),
        "size",
        1,
        100.0 * 0.01 * turning_alone(0.01, 0.015),
    )
    yield Row(
        "multiple of both of two normal errors",
        lambda s: line_case(
            "60 kohm +/- 2 % (2 sigma)", sensitivity="4 uS +/- 3 % (2 sigma) per unit", units=units, seed=s
        ),
        "pair",
        1,
        turning_multiple(0.01, 0.015),
    )


def opposite(case: Case, row: Row, value: float) -> bool | None:
    """Whether verdicts at 0.97 and 1.03 times a size are opposite; None for what is no size."""
    if row.kind != "size":
        return None
    (move,) = (m for m in moves_of(case)[1] if (m.kind, m.sign, m.quantity) == ("size", row.sign, QUANTITY))
    verdicts = [
        verdict_at(case, row, move, times * value / 100.0 / move.number(0.0)) for times in (0.97, 1.03)
    ]
    return verdicts == ["conforms", "does not conform"]


def verdict_at(case: Case, row: Row, move: Move, multiple: float) -> str:
    """Verdict of the case with a size multiplied."""
    u = math.log2(multiple) if move.sign > 0 else 1.0 - multiple
    moved = moved_case(case, [(move, u)])
    study = dataclasses.replace(
        moved.study, units=row.units, outer=row.outer or moved.study.outer, draw="all units"
    )
    moved = dataclasses.replace(moved, study=study)
    return yield_in(run(moved, plan=plan_of(moved))).verdict(0.95)


def main() -> None:
    """Print the table, a line a case."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=20)
    seeds = parser.parse_args().seeds
    print(
        "| case | exact | mean found | scatter (sd) | covered | narrow | opposite verdicts | CPU s a seed |"
    )
    print("|---|---|---|---|---|---|---|---|")
    for row in rows():
        start = time.process_time()
        values, covered, narrow, sides = [], 0, 0, []
        for seed in range(1, seeds + 1):
            case = row.make(seed)
            result = overturning(case, "none", units=row.units, outer=row.outer, pairs=row.kind == "pair")
            value = row.found(result)
            values.append(value.value)
            covered += value.low <= row.exact <= value.high
            if row.kind == "size" and value.high - value.low < NARROW * value.value:
                narrow += 1
                sides.append(opposite(case, row, value.value))
        cost = (time.process_time() - start) / seeds
        sized = row.kind == "size"
        told = (
            f"{sum(map(bool, sides))} of {len(sides)}"
            if sides
            else "none narrow enough"
            if sized
            else "no size"
        )
        print(
            f"| {row.name} | {row.exact:.5g} | {np.mean(values):.5g} | {np.std(values, ddof=1):.2g} | {covered} of "
            f"{seeds} | {f'{narrow} of {seeds}' if sized else ''} | {told} | {cost:.2g} |",
            flush=True,
        )


if __name__ == "__main__":
    main()
