"""Subset sampling: a rare failure as a chain of frequent ones (Au and Beck 2001).

Levels b_1 > b_2 > ... > 0 of the margin are chosen so that about a tenth of the draws of one level passes to
the next; the failure probability is the product of the shares. Conditional draws come from Markov chains whose
candidate is rho z + sqrt(1 - rho^2) xi, which keeps the standard normal distribution by itself and loses
nothing in many dimensions (Papaioannou, Betz, Zwirglmaier and Straub 2015); its step is adapted to an
acceptance of 0.44. No gradient is used: the limit may have steps, kinks and branches.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

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
    variation    coefficient of variation from the levels with the correlation in the chains (Au and Beck 2001, eq. 28)
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
    the target asks for, within the budget. The interval rests on the larger of two standard errors: that of the
    chains, and that between the replicates, which also sees what the levels share.
    """
    limit = CountedLimit(limit_state, len(limit_state.names))
    while per_level > 200 and per_level * 6 * FIRST_REPLICATES > budget:
        per_level //= 2
    runs = [run_subset(limit, per_level, Draws(seed, f"subset {r}")) for r in range(FIRST_REPLICATES)]
    if not any(run.probability > 0 for run in runs):
        return _unreached(limit, runs, level)
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
        probability, low, high, level, variation, limit.evaluations, "subset", (), tuple(warnings), variation**-2
    )  # fmt: skip


def run_subset(limit: CountedLimit, per_level: int, draws: Draws) -> SubsetRun:
    """One replicate of subset sampling with `per_level` draws a level."""
    z = draws.normals(per_level, limit.dimension)
    margins = limit(z)
    chains = per_level
    probability, variance, scale = 1.0, 0.0, 0.6
    for number in range(1, MOST_LEVELS + 1):
        bound = float(np.partition(margins, int(SHARE * per_level) - 1)[int(SHARE * per_level) - 1])
        passed = margins < 0 if bound < 0 else margins <= bound
        if bound == 0:
            passed = margins < 0 if np.any(margins < 0) else passed
        share = float(np.mean(passed))
        probability *= share
        variance += _level_variance(passed.astype(np.float64), chains, share)
        if bound < 0:
            return SubsetRun(probability, float(np.sqrt(variance)), number, False)
        if share == 1:
            break
        z, margins, chains, scale = _conditional(limit, z[passed], margins[passed], bound, per_level, scale, draws)
    return SubsetRun(0.0, float("inf"), number, True)
