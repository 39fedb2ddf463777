"""How often the 95 % interval of a rare failure covers the exact probability, method by method.

Run: python tests/benchmarks/rare_coverage.py [--target-cv 0.1 ...] [--runs 400] [--method subset ...] [--limit WORD].
Each limit state whose name holds WORD is estimated with RUNS seeds of its own. A line shows the share of intervals that
hold the exact value with the 95 % interval of that share itself (Clopper and Pearson 1934), mean and standard deviation
of estimate over exact value, the coefficient of variation claimed, evaluations of the estimate and of its cross-check,
design points added by the latter, the share of results with a warning, and the methods taken: 'importance', 'islands'
(separate failing regions) and 'plain' are asked of `failure_probability`, which chooses; 'subset' is asked for by name.
The last line of a method has all its runs.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from scipy.stats import binomtest, gamma

TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(TESTS), str(TESTS / "rare"), str(TESTS.parent)]

from limit_states import KnownLimit  # noqa: E402
from rare_limits import (  # noqa: E402
    exponential_sum,
    four_islands,
    linear,
    near_islands,
    radial,
    staircase,
)

from margin.estimates.rare import CrossCheck, RareResult, failure_probability, subset_sampling  # noqa: E402

BUDGET = 5_000_000
"""Evaluations allowed: enough for each target, so that the target rules and not the budget."""

Estimate = Callable[[KnownLimit, float, int], RareResult]


def chosen(known: KnownLimit, target_cv: float, seed: int) -> RareResult:
    """By the method that suits the limit."""
    return failure_probability(
        known.limit, known.limit.dimension, target_cv=target_cv, budget=BUDGET, seed=seed
    )


def by_subset(known: KnownLimit, target_cv: float, seed: int) -> RareResult:
    """By subset sampling."""
    return subset_sampling(known.limit, target_cv=target_cv, budget=BUDGET, seed=seed)


METHODS: dict[str, tuple[Estimate, tuple[KnownLimit, ...]]] = {
    "importance": (
        chosen,
        (
            linear(3.0, 2),
            linear(4.0, 2),
            linear(5.0, 20),
            *(exponential_sum(d, float(gamma.isf(p, d))) for d, p in ((2, 1e-3), (2, 1e-6), (20, 1e-6))),
        ),
    ),
    "islands": (chosen, (four_islands(2), near_islands(), four_islands(6))),
    "plain": (chosen, (linear(1.645, 3), linear(2.0, 2), radial(10, 4.0), linear(2.6, 60))),
    "subset": (
        by_subset,
        (radial(2, 4.5), linear(4.5, 3), radial(10, 6.0), staircase(4.0), radial(100, 13.0)),
    ),
}


def line(name: str, exact: Sequence[float], found: Sequence[RareResult]) -> str:
    """Coverage and the rest, of results beside their exact values."""
    covered = sum(one.low <= p <= one.high for one, p in zip(found, exact, strict=True))
    between = binomtest(covered, len(found)).proportion_ci(0.95, method="exact")
    checks = [one.cross_check or CrossCheck(0, 0, 0, True) for one in found]
    ratios = np.array([one.probability / p for one, p in zip(found, exact, strict=True)])
    return (
        f"{name:28s} covered {100 * covered / len(found):5.1f} % "
        f"({100 * between.low:.1f} to {100 * between.high:.1f})  "
        f"mean {ratios.mean():.3f}  sd {ratios.std(ddof=1):.3f}  "
        f"claimed {np.mean([one.coefficient_of_variation for one in found]):.3f}  "
        f"evaluations {np.mean([one.evaluations for one in found]):.0f} "
        f"+ {np.mean([check.evaluations for check in checks]):.0f}  "
        f"added {np.mean([c.added for c in checks]):.2f}  "
        f"warned {100 * np.mean([bool(one.warnings) for one in found]):.1f} %  "
        f"{dict(Counter(one.method for one in found))}"
    )


def main(arguments: argparse.Namespace) -> None:
    """One line a limit state, and one for all of a method."""
    for target_cv in arguments.target_cv:
        for method in arguments.method:
            estimate, limits = METHODS[method]
            print(f"{method}, target {100 * target_cv:g} %, {arguments.runs} runs each, 95 % intervals")
            together: list[RareResult] = []
            exact: list[float] = []
            for number, known in enumerate(limits):
                if arguments.limit not in known.name:
                    continue
                # the same seeds would share draws between limit states: those of one method are independent
                seeds = range(number * arguments.runs, (number + 1) * arguments.runs)
                found = [estimate(known, target_cv, seed) for seed in seeds]
                together += found
                exact += [known.probability] * len(found)
                print("  " + line(known.name, exact[-len(found) :], found), flush=True)
            if together:
                print("  " + line("all", exact, together), flush=True)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--target-cv", type=float, nargs="+", default=[0.1], help="coefficients of variation")
    parser.add_argument("--runs", type=int, default=400, help="seeds")
    parser.add_argument("--method", nargs="+", choices=METHODS, default=list(METHODS))
    parser.add_argument("--limit", default="", help="only limit states whose name holds this word")
    main(parser.parse_args())
