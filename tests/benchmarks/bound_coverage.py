"""Coverage of the lower bound through the engine: `PYTHONPATH=. python tests/benchmarks/bound_coverage.py --help`.

Cases whose lower bound is exact (`margin/validation/cases.py`) are drawn with many seeds at three sizes. The 95 %
interval of the bound must hold the exact value in 93 % to 99 % of the studies and lie wholly above it in at most 4 %;
a target just above the exact value must be judged 'conforms' in at most 2.5 %; the interval must narrow as draws grow.
An interval that holds more often is marked 'wide'; what lies outside the limits by no more than binomial scatter
explains (1 in 1000) 'chance'; anything else FAILS, and the exit status is then 1. Prints a table, and keeps it with
--out. Not run by pytest.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass, replace
from itertools import pairwise
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from scipy import stats

from margin.backends.run import run
from margin.estimates.yields import yield_of
from margin.propagation.model import model_of
from margin.propagation.plan import plan_of
from margin.validation import closed_forms
from margin.validation.cases import ClosedCase, bound_cases, jump, normal, shared_gain
from margin.validation.closed_forms import Exact

SIZES = {"small": (100, 128, 2_000), "default": (400, 256, 20_000), "large": (1000, 1024, 200_000)}
"""Outer draws, units in each, and units where nothing is unknown."""

LEAST, MOST, ABOVE, FALSE = 0.93, 0.99, 0.04, 0.025
SCATTER = 1e-3
JUST_ABOVE = 1e-9

STEP = "A common gain error, units nearly alike"
COMMON = 0.01
"""Standard deviation of the common gain error of a step."""


def step(failing: float, ratio: float) -> ClosedCase:
    """A common gain error that fails this share of the outer draws, units `ratio` times as wide (0: all alike)."""
    limit = COMMON * float(stats.norm.isf(0.5 * failing))
    exact = (
        closed_forms.shared_gain(limit, ratio * COMMON, COMMON)
        if ratio
        else Exact(1.0 - failing, float(failing < closed_forms.PROBABILITY))
    )
    own = (normal("unit", ratio * COMMON),) if ratio else ()
    wide = f"1/{1.0 / ratio:.0f} of it" if ratio else "none"
    return ClosedCase(
        f"gain fails {100.0 * failing:g} % of draws, unit to unit {wide}",
        STEP,
        "normal distribution, closed form",
        exact,
        limit,
        (*own, normal("common", COMMON)),
    )


CASES: tuple[ClosedCase, ...] = (
    *bound_cases(),
    shared_gain(0.0196, 3.0),
    shared_gain(0.0258, 0.1),
    shared_gain(0.0258, 1.0),
    shared_gain(0.0329, 0.3),
    jump(0.0196, 0.03, 0.01),
    *(step(failing, ratio) for failing in (0.04, 0.055, 0.06) for ratio in (0.0, 1 / 300, 1 / 60, 1 / 15)),
)


@dataclass(frozen=True)
class Coverage:
    """What so many studies of one case and size found."""

    case: int
    size: str
    seeds: int
    held: int
    above: int
    below: int
    false: int
    width: float
    seconds: float

    @property
    def verdict(self) -> str:
        """'ok'; 'wide' where more hold than required; 'chance' where scatter explains it; 'FAILS'."""
        n = self.seeds
        least = stats.binom.ppf(SCATTER, n, LEAST)
        above, false = (stats.binom.ppf(1.0 - SCATTER, n, limit) for limit in (ABOVE, FALSE))
        if self.held < least or self.above > above or self.false > false:
            return "FAILS"
        if self.held < LEAST * n or self.above > ABOVE * n or self.false > FALSE * n:
            return "chance"
        return "wide" if self.held > MOST * n else "ok"


def covered(task: tuple[int, str, int, int]) -> Coverage:
    """Studies of one case and size, one for each seed from `first` on."""
    number, size, seeds, first = task
    start, closed = time.perf_counter(), CASES[number]
    outer, inner, units = SIZES[size]
    case = closed.case(**({"units": outer * inner, "outer": outer} if closed.unknown else {"units": units}))
    model, plan, truth = model_of(case), plan_of(case), closed.exact.bound
    held = above = below = false = 0
    widths = []
    for seed in range(first, first + seeds):
        drawn = run(case, model=replace(model, seed=seed), plan=plan, workers=1)
        found = yield_of(
            plan.frame,
            drawn.tallies["none" if "none" in drawn.tallies else "one-point"],
            case.requirement.counts,
            case.requirement.confidence,
        )
        bound = found.bound
        above += bound.low > truth
        below += bound.high < truth
        held += bound.low <= truth <= bound.high
        false += found.verdict(truth + JUST_ABOVE) == "conforms"
        widths.append(bound.high - bound.low)
    return Coverage(
        number, size, seeds, held, above, below, false, float(np.median(widths)), time.perf_counter() - start
    )


def rows(found: list[Coverage]) -> list[str]:
    """Lines of a table in Markdown."""
    lines = [
        "| case | exact bound | size | studies | held | above | below | false 'conforms' | median width | |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for one in found:
        closed, n = CASES[one.case], one.seeds
        shares = (f"{100.0 * count / n:.1f} %" for count in (one.held, one.above, one.below, one.false))
        width = f"{100.0 * one.width:.3g} %"
        cells = (closed.title, f"{closed.exact.bound:.6f}", one.size, str(n), *shares, width, one.verdict)
        lines.append(f"| {' | '.join(cells)} |")
    return lines


def growing(found: list[Coverage]) -> list[str]:
    """Cases whose median width does not fall from one size to the next; across a step it need not."""
    order, wrong = list(SIZES), []
    for number, closed in enumerate(CASES):
        if closed.family == STEP:
            continue
        widths = [one.width for one in sorted(found, key=lambda c: order.index(c.size)) if one.case == number]
        if any(after >= before for before, after in pairwise(widths)):
            wrong.append(closed.title)
    return wrong


def main() -> int:
    """Print and keep the table; 1 where a requirement fails."""
    parser = argparse.ArgumentParser(description="Coverage of the lower bound through the engine.")
    parser.add_argument("--seeds", type=int, default=200, help="studies of each case and size")
    parser.add_argument("--first", type=int, default=1, help="first seed")
    parser.add_argument("--sizes", nargs="+", choices=list(SIZES), default=list(SIZES))
    parser.add_argument("--only", default="", help="part of the title of the cases to take")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--out", type=Path, help="file for the table, in Markdown")
    asked = parser.parse_args()
    start = time.perf_counter()
    wanted = [number for number, closed in enumerate(CASES) if asked.only in closed.title]
    tasks = [(number, size, asked.seeds, asked.first) for number in wanted for size in asked.sizes]
    found: list[Coverage] = []
    with get_context("spawn").Pool(asked.processes) as pool:
        for one in pool.imap(covered, tasks):
            found.append(one)
            print(rows([one])[-1], f"{one.seconds:.0f} s", flush=True)
    wrong = growing(found)
    failing = [one for one in found if one.verdict == "FAILS"]
    seconds = time.perf_counter() - start
    tail = [
        "",
        f"{asked.seeds} studies of each case and size, seeds from {asked.first}, {seconds:.0f} s on {asked.processes} "
        f"processes. {len(failing)} of {len(found)} rows fail. Width that does not fall: "
        f"{'; '.join(wrong) or 'none'}.",
    ]
    print("\n".join(tail))
    if asked.out is not None:
        asked.out.write_text("\n".join([*rows(found), *tail]) + "\n", encoding="utf-8")
    return 1 if failing or wrong else 0


if __name__ == "__main__":
    sys.exit(main())
