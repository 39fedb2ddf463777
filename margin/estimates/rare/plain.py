"""Plain draws until enough of them failed: inverse binomial sampling.

Draws end with the k-th failing one, the n-th of all. Then (k - 1) / (n - 1) is an unbiased estimate of the
probability (Haldane 1945), and an interval from the distribution of n covers as often as it says however small k
is; a number of failures that happened to be reached would not tell when drawing ended.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from margin.estimates.rare.draws import Draws
from margin.estimates.rare.limit import CountedLimit
from margin.estimates.rare.result import RareResult, binomial_interval, inverse_binomial_interval

FEWEST_DRAWN = 200
MOST_DRAWN = 20_000
VALUES = 4_000_000
RESERVE = 1.1
NOISY = 1.5


@dataclass(frozen=True)
class Tally:
    """Failing draws among so many; `complete` where the last draw is the failing one that was waited for."""

    failures: int
    count: int
    complete: bool


def wanted_failures(target_cv: float) -> int:
    """Failing plain draws that a coefficient of variation needs."""
    return int(np.ceil(RESERVE / target_cv**2))


def draw_until(limit: CountedLimit, draws: Draws, wanted: int, most: int) -> Tally:
    """Plain draws up to the `wanted`-th failing one, at most so many; in blocks of bounded memory.

    The limit is evaluated a little beyond that draw, to the end of its block.
    """
    largest = max(min(VALUES // limit.dimension, MOST_DRAWN), 1)
    failures, count = 0, 0
    while count < most:
        expected = RESERVE * count * (wanted - failures) / max(failures, 1)
        block = int(min(max(expected, FEWEST_DRAWN), largest, most - count))
        failed = np.flatnonzero(limit(draws.normals(block, limit.dimension)) < 0)
        missing = wanted - failures
        if len(failed) >= missing:
            return Tally(wanted, count + int(failed[missing - 1]) + 1, True)
        failures += len(failed)
        count += block
    return Tally(failures, count, False)


def plain_draws(
    limit: CountedLimit, target_cv: float, budget: int, seed: int, level: float, why: str
) -> RareResult:
    """Failure probability from plain draws, as many as the target asks for, within the budget.

    budget  evaluations of `limit` in all, those before included. Draws on which the choice of plain draws rested are
            not counted: the choice falls where many of them failed, and they would lift the estimate.
    why     the reason for plain draws, in a few words
    """
    drawn = draw_until(
        limit, Draws(seed, "plain draws"), wanted_failures(target_cv), budget - limit.evaluations
    )
    failures, count = drawn.failures, drawn.count
    variation = float("inf")
    if drawn.complete:
        probability = (failures - 1) / (count - 1)
        low, high = inverse_binomial_interval(failures, count, level)
        variation = float(np.sqrt((1 - probability) / (failures - 1)))
    else:
        probability = failures / max(count, 1)
        low, high = binomial_interval(failures, count, level) if count else (0.0, 1.0)
        if failures:
            variation = float(np.sqrt((1 - probability) / failures))
    warnings: tuple[str, ...] = ()
    if variation > NOISY * target_cv:
        warnings = (
            f"coefficient of variation {variation:.2f} where {target_cv:.2f} was asked: raise the budget "
            f"of {budget} evaluations",
        )
    return RareResult(
        probability, low, high, level, variation, limit.evaluations, "crude",
        warnings=warnings,
        effective_samples=float(failures),
        why=f"{why}: {failures} in {count} plain draws",
    )  # fmt: skip
