"""Subset sampling: a rare failure as a chain of frequent ones (Au and Beck 2001).

Levels b_1 > b_2 > ... > 0 of the margin are chosen so that about a tenth of the draws of one level passes to
the next; the failure probability is the product of the shares. Conditional draws come from Markov chains,
whose candidate is rho z + sqrt(1 - rho^2) xi, which keeps the standard normal distribution and loses nothing
in many dimensions (Papaioannou, Betz, Zwirglmaier and Straub 2015); its step is adapted to an
acceptance of 0.44. No gradient is used: the limit may have steps, kinks and branches.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from margin.estimates.rare.draws import Draws
from margin.estimates.rare.limit import Array, CountedLimit, LimitState
from margin.estimates.rare.result import RareResult, lognormal_interval

SHARE = 0.1
ACCEPTANCE = 0.44
MOST_LEVELS = 40
TRIALS = 3
REPLICATES = 8
PER_LEVEL = 500
TRIAL_PART = 0.2
SAFE_PART = 0.9
FEWEST = 100
KEPT = 20
RESERVE = 1.2
SHARED = 1.6
DISAGREE = 1e-3
NOISY = 1.5
WIDEST = 0.5
HALF_GIVEN = 0.5


@dataclass(frozen=True)
class SubsetRun:
    """One replicate.

    probability  product of the shares of the levels; 0 where the levels did not reach the limit
    variation    coefficient of variation from the levels, with the correlation in the chains
    fixed        part of the variance, 0 to 1, from levels whose bound was given: the limit, and half of a plateau's,
                 of which the draws choose one among few
    levels       number of levels
    stalled      whether the levels ended before the limit (the margin does not change any more)
    failing      a few failing draws of the last level, spread over its chains, shape (k, d)
    on_the_way   a few draws that passed to each level, the last level's first, each of shape (k, d)
    """

    probability: float
    variation: float
    fixed: float
    levels: int
    stalled: bool
    failing: Array
    on_the_way: tuple[Array, ...] = ()


def subset_sampling(
    limit_state: LimitState,
    *,
    target_cv: float = 0.1,
    level: float = 0.95,
    budget: int = 200_000,
    seed: int = 0,
) -> RareResult:
    """Failure probability by subset sampling in eight independent replicates.

    Three small trials of 500 draws a level (fewer where they would take more than a fifth of the budget) show
    the coefficient of variation; the replicates are made as long as the target asks for, within the budget,
    and the trials count no more. A few long replicates are better than many short ones: what the levels of
    one replicate share shifts it, which no number of replicates takes out. Estimate and interval rest on the
    logarithms of the replicates, see `combined`. Of 400 intervals of 95 % each, 93 to 96.5 % covered at targets of
    5, 10 and 25 % (linear and round limits, steps, 2 to 100 factors; tests/benchmarks/rare_coverage.py). Beyond a
    coefficient of variation of 50 % only about 90 % do, which the result warns of.
    """
    limit = CountedLimit(limit_state, len(limit_state.names))
    size = PER_LEVEL
    while size > FEWEST and size * 6 * TRIALS > TRIAL_PART * budget:
        size //= 2
    trials = [run_subset(limit, size, Draws(seed, f"trial {r}")) for r in range(TRIALS)]
    if any(run.probability > 0 for run in trials):
        expected = 0.5 * (_between(trials) + SHARED * _inside(trials))
        needed = RESERVE * size * expected / target_cv**2 / REPLICATES
        each = limit.evaluations / (TRIALS * size)
        left = SAFE_PART * (budget - limit.evaluations) / each / REPLICATES
        size = max(int(min(needed, left)) // 10 * 10, FEWEST)
    runs = [run_subset(limit, size, Draws(seed, f"subset {r}")) for r in range(REPLICATES)]
    if not any(run.probability > 0 for run in runs):
        return _unreached(limit, level)
    probability, variation = combined(runs)
    low, high = lognormal_interval(probability, variation, level, len(runs) - 1)
    return RareResult(
        probability,
        low,
        high,
        level,
        variation,
        limit.evaluations,
        "subset",
        warnings=tuple(_warnings(runs, variation, target_cv, budget)),
        effective_samples=variation**-2,
        failing=np.concatenate([run.failing for run in runs]),
    )


def fewest_evaluations(probability: float) -> int:
    """Evaluations without which subset sampling of about this probability cannot do: its shortest replicates."""
    levels = math.ceil(-math.log10(probability)) + 1
    return (TRIALS + REPLICATES) * FEWEST * levels


def _warnings(runs: Sequence[SubsetRun], variation: float, target_cv: float, budget: int) -> Iterator[str]:
    """What speaks against trusting the replicates."""
    if variation > NOISY * target_cv:
        yield (
            f"coefficient of variation {variation:.2f} where {target_cv:.2f} was asked: raise the budget "
            f"of {budget} evaluations"
        )
    if variation > WIDEST:
        yield (
            f"a coefficient of variation of {variation:.2f} is beyond {WIDEST}, up to which the interval is known to "
            "cover: it may be too narrow"
        )
    if any(run.stalled for run in runs):
        yield (
            "in some replicates the margin stopped changing before the limit was reached: the interval may be "
            "too narrow"
        )
    if _disagreement(runs) < DISAGREE:
        yield (
            "a failing region was missed by some replicates: they differ by more than their chains explain "
            f"(from {min(r.probability for r in runs):.2g} to {max(r.probability for r in runs):.2g}); the interval "
            "may be too narrow"
        )


def combined(runs: Sequence[SubsetRun]) -> tuple[float, float]:
    """Estimate of the replicates together, and its coefficient of variation.

    A replicate is a product of shares, hence nearly lognormal, with standard deviation s of its logarithm. A share
    counted at a given bound is unbiased, so that its logarithm is low by half its variance on average; where the
    bound itself was chosen for the share, the logarithm errs as often upwards as downwards. So the mean logarithm lies
    c s^2 too low, c half the part of the fixed levels, which is put back. The squared standard error of the logarithm
    is that of a lognormal mean, s^2 / n + 2 c^2 s^4 / (n - 1) of n replicates (Zhou and Gao 1997, Cox's method, there
    with c = 1/2); as a coefficient of variation it is sqrt(exp of it - 1), so that `lognormal_interval` is Student's
    t on the logarithms. Where a replicate did not reach the limit, or they differ by more than chance, they are not
    lognormal: then the plain mean, which a region missed by some biases less.
    """
    values = np.array([run.probability for run in runs])
    count = len(runs)
    if not values.all() or _disagreement(runs) < DISAGREE:
        return float(np.mean(values)), float(np.sqrt(_between(runs) / count))
    logs = np.log(values)
    variance = float(np.var(logs, ddof=1))
    lowered = 0.5 * float(np.mean([run.fixed for run in runs])) * variance
    probability = float(np.exp(np.mean(logs) + lowered))
    squared_error = variance / count + 2 * lowered**2 / (count - 1)
    return min(probability, 1.0), float(np.sqrt(np.expm1(squared_error)))


def run_subset(limit: CountedLimit, per_level: int, draws: Draws, kept: int = KEPT) -> SubsetRun:
    """One replicate of subset sampling with `per_level` draws a level; at most `kept` draws of a kind are returned."""
    z = draws.normals(1, per_level, limit.dimension)
    margins = limit(z[0])[None, :]
    probability, variance, fixed, scale = 1.0, 0.0, 0.0, 0.6
    on_the_way: list[Array] = []
    for number in range(1, MOST_LEVELS + 1):
        ordered = np.sort(margins, axis=None)
        bound = float(ordered[int(SHARE * per_level) - 1])
        failing = margins < 0
        passed = margins <= bound
        last = bound < 0 or bool(passed.all() and failing.any())
        counted = failing if last else passed
        probability *= float(counted.mean())
        part = _level_variance(counted)
        variance += part
        fixed += part if last else HALF_GIVEN * part * _plateau(z[margins == bound])
        if last:
            share = fixed / variance if variance > 0 else 0.0
            return SubsetRun(
                probability,
                float(np.sqrt(variance)),
                share,
                number,
                False,
                _few(z[failing], kept),
                tuple(on_the_way),
            )
        if passed.all():
            break
        chosen = draws.order(int(passed.sum()))[: int(SHARE * per_level)]
        seeds, seed_margins = z[passed][chosen], margins[passed][chosen]
        on_the_way.insert(0, _few(seeds, kept))
        z, margins, scale = _chains(limit, seeds, seed_margins, bound, per_level, scale, draws)
    return SubsetRun(0.0, float("inf"), 1.0, number, True, np.empty((0, limit.dimension)))


def _few(z: Array, most: int) -> Array:
    """At most so many of the draws (n, d), spread evenly over their order."""
    return z[np.linspace(0, len(z) - 1, min(most, len(z))).astype(np.int64)]


def _plateau(z: Array) -> bool:
    """Whether draws of equal margin, shape (n, d), are different ones and not one that its chain repeats."""
    return bool((z != z[0]).any())


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


def _inside(runs: Sequence[SubsetRun]) -> float:
    """Squared coefficient of variation of one replicate, as its chains show it: without what its levels share."""
    return float(np.mean([run.variation**2 for run in runs if run.probability > 0]))


def _between(runs: Sequence[SubsetRun]) -> float:
    """Squared coefficient of variation of one replicate, as the replicates show it."""
    values = np.array([run.probability for run in runs])
    return float(np.var(values, ddof=1) / np.mean(values) ** 2)


def _disagreement(runs: Sequence[SubsetRun]) -> float:
    """Probability that replicates differ as they do by chance: chi-square test of equal means.

    What the levels of a replicate share raises its variance above that of its chains by about SHARED (measured
    with 3 to 100 factors).
    """
    freedom = len(runs) - 1
    return float(chdtrc(freedom, freedom * _between(runs) / max(SHARED * _inside(runs), 1e-12)))


def _unreached(limit: CountedLimit, level: float) -> RareResult:
    """What can be said where no replicate reached a failing draw: only what its first, plain level allows."""
    return RareResult(
        0.0, 0.0, 1.0, level, float("inf"), limit.evaluations, "subset",
        warnings=("no failing draw was reached: the margin stops changing before it is negative",),
    )  # fmt: skip
