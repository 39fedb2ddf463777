"""Subset sampling: a rare failure as a chain of frequent ones (Au and Beck 2001).

Levels b_1 > b_2 > ... > 0 of the margin are chosen so that about a tenth of the draws of one level passes to
the next; the failure probability is the product of the shares. Conditional draws come from Markov chains,
whose candidate is rho z + sqrt(1 - rho^2) xi, which keeps the standard normal distribution and loses nothing
in many dimensions (Papaioannou, Betz, Zwirglmaier and Straub 2015); its step is adapted to an
acceptance of 0.44. No gradient is used: the limit may have steps, kinks and branches.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from margin.estimates.rare.draws import Draws
from margin.estimates.rare.limit import Array, CountedLimit, LimitState
from margin.estimates.rare.result import RareResult, lognormal_interval

SHARE = 0.1
ACCEPTANCE = 0.44
MOST_LEVELS = 40
FIRST_REPLICATES = 4
RESERVE = 1.1


@dataclass(frozen=True)
class SubsetRun:
    """One replicate.

    probability  product of the shares of the levels; 0 where the levels did not reach the limit
    variation    coefficient of variation from the levels, with the correlation in the chains
    levels       number of levels
    stalled      whether the levels ended before the limit (the margin does not change any more)
    """

    probability: float
    variation: float
    levels: int
    stalled: bool


def subset_sampling(
    limit_state: LimitState,
    *,
    target_cv: float = 0.1,
    level: float = 0.95,
    budget: int = 200_000,
    per_level: int = 2000,
    seed: int = 0,
) -> RareResult:
    """Failure probability by subset sampling in independent replicates.

    Four replicates of `per_level` draws a level show the coefficient of variation; then as many follow as
    the target asks for, within the budget. The interval rests on the larger of two standard errors: that of
    the chains, and that between the replicates, which also sees what the levels share.
    """
    limit = CountedLimit(limit_state, len(limit_state.names))
    while per_level > 200 and per_level * 6 * FIRST_REPLICATES > budget:
        per_level //= 2
    runs = [run_subset(limit, per_level, Draws(seed, f"subset {r}")) for r in range(FIRST_REPLICATES)]
    if not any(run.probability > 0 for run in runs):
        return _unreached(limit, level)
    each = max(1, limit.evaluations // FIRST_REPLICATES)
    wanted = int(np.ceil(RESERVE * len(runs) * (_variation(runs) / target_cv) ** 2))
    for r in range(len(runs), max(len(runs), min(wanted, budget // each))):
        runs.append(run_subset(limit, per_level, Draws(seed, f"subset {r}")))
    probability = float(np.mean([run.probability for run in runs]))
    variation = _variation(runs)
    low, high = lognormal_interval(probability, variation, level, len(runs) - 1)
    warnings = []
    if variation > 1.2 * target_cv:
        warnings.append(
            f"coefficient of variation {variation:.2f} where {target_cv:.2f} was asked: raise the budget "
            f"of {budget} evaluations"
        )
    if any(run.stalled for run in runs):
        warnings.append("in some replicates the margin stopped changing before the limit was reached")
    return RareResult(
        probability,
        low,
        high,
        level,
        variation,
        limit.evaluations,
        "subset",
        warnings=tuple(warnings),
        effective_samples=variation**-2,
    )


def run_subset(limit: CountedLimit, per_level: int, draws: Draws) -> SubsetRun:
    """One replicate of subset sampling with `per_level` draws a level."""
    z = draws.normals(1, per_level, limit.dimension)
    margins = limit(z[0])[None, :]
    probability, variance, scale = 1.0, 0.0, 0.6
    for number in range(1, MOST_LEVELS + 1):
        ordered = np.sort(margins, axis=None)
        bound = float(ordered[int(SHARE * per_level) - 1])
        failing = margins < 0
        passed = margins <= bound
        last = bound < 0 or bool(passed.all() and failing.any())
        counted = failing if last else passed
        probability *= float(counted.mean())
        variance += _level_variance(counted)
        if last:
            return SubsetRun(probability, float(np.sqrt(variance)), number, False)
        if passed.all():
            break
        chosen = draws.order(int(passed.sum()))[: int(SHARE * per_level)]
        seeds, seed_margins = z[passed][chosen], margins[passed][chosen]
        z, margins, scale = _chains(limit, seeds, seed_margins, bound, per_level, scale, draws)
    return SubsetRun(0.0, float("inf"), number, True)


def _chains(
    limit: CountedLimit, z: Array, margins: Array, bound: float, per_level: int, scale: float, draws: Draws
) -> tuple[Array, Array, float]:
    """Draws with a margin of at most `bound`, by chains that start from such draws and move side by side.

    z        first states, shape (chains, d); their margins, shape (chains,)
    scale    step, sqrt(1 - rho^2); adapted on the way. It is one number for all factors: a step for each from
             the spread of the first states lowers the estimate in many dimensions (measured: by a fifth to
             a quarter with 100 factors and 2000 draws a level)

    Returns states (length, chains, d), margins (length, chains) and the adapted scale.
    """
    chains, dimension = z.shape
    states, values = [z], [margins]
    for step in range(1, per_level // chains):
        scale = min(scale, 1.0)
        candidate = np.sqrt(1 - scale**2) * z + scale * draws.normals(chains, dimension)
        reached = limit(candidate)
        accepted = reached <= bound
        z = np.where(accepted[:, None], candidate, z)
        margins = np.where(accepted, reached, margins)
        scale *= float(np.exp((float(accepted.mean()) - ACCEPTANCE) / np.sqrt(step)))
        states.append(z)
        values.append(margins)
    return np.stack(states), np.stack(values), scale


def _level_variance(passed: NDArray[np.bool_]) -> float:
    """Squared coefficient of variation of one level's share, passed of shape (length, chains).

    (1 - p) / (p n) x (1 + gamma) with gamma = 2 sum over lags k of (1 - k / length) rho(k) (Au and Beck
    2001); a single row is independent draws, gamma 0.
    """
    length, chains = passed.shape
    share = float(passed.mean())
    if share == 1:
        return 0.0
    centred = passed - share
    gamma = 0.0
    for lag in range(1, length):
        rho = float(np.mean(centred[:-lag] * centred[lag:])) / (share * (1 - share))
        gamma += 2 * (1 - lag / length) * rho
    return float((1 - share) / (share * length * chains) * max(1 + gamma, 0.0))


def _variation(runs: Sequence[SubsetRun]) -> float:
    """Coefficient of variation of the mean of the replicates: the larger of the two ways to see it."""
    values = np.array([run.probability for run in runs])
    between = float(np.std(values, ddof=1) / np.mean(values) / np.sqrt(len(runs)))
    inside = [run.variation**2 for run in runs if run.probability > 0]
    return max(between, float(np.sqrt(np.mean(inside) / len(runs))))


def _unreached(limit: CountedLimit, level: float) -> RareResult:
    """What can be said where no replicate reached a failing draw: only what its first, plain level allows."""
    return RareResult(
        0.0, 0.0, 1.0, level, float("inf"), limit.evaluations, "subset",
        warnings=("no failing draw was reached: the margin stops changing before it is negative",),
    )  # fmt: skip
