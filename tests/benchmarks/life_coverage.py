"""How often a true life lies outside its interval by the profile likelihood, by the number of failures.

    PYTHONPATH=. python tests/benchmarks/life_coverage.py > tests/benchmarks/life_coverage.md

The likelihood ratio of a quantile is a pivot for samples of a location-scale family that are complete or end at a
stated number of failures: the shares hold for every location and spread. It is computed here by numpy alone, for many
samples at once, and held against intervals of the package for a few of them.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2, norm

from margin.service.life_fits import Lives, Shape, fit_life

Array = NDArray[np.float64]

FAILURES = (3, 5, 10, 20, 30, 60)
SAMPLES = 20_000
CHECKED = 5
FAILED = 0.1
DROP = float(chi2.ppf(0.95, 1))
AT = {"Weibull": math.log(-math.log1p(-FAILED)), "lognormal": float(norm.ppf(FAILED))}
CASES: tuple[tuple[Shape, int], ...] = (("Weibull", 1), ("Weibull", 2), ("lognormal", 1))
"""Distributions, and units for each failure: 1 complete, 2 ended when half have failed."""
_GOLDEN = 0.5 * (math.sqrt(5.0) - 1.0)


def peak(of: Callable[[Array], Array], samples: int) -> tuple[Array, Array]:
    """Where a function of ln(spread) has its one peak, and its value there, (sample,), by golden sections."""
    low, high = np.full(samples, -7.0), np.full(samples, 3.0)
    for _ in range(50):
        left, right = high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)
        up = of(left) < of(right)
        low, high = np.where(up, left, low), np.where(up, high, right)
    at = 0.5 * (low + high)
    return np.exp(at), of(at)


def likelihood(name: Shape, score: Array, units: int, log_spread: Array, location: Array) -> Array:
    """Log likelihood of samples, (sample,); score: ln(life) of the failures, ascending, (sample, failure)."""
    scaled = (score - location[:, np.newaxis]) * np.exp(-log_spread)[:, np.newaxis]
    failures = score.shape[1]
    if name == "lognormal":
        return np.asarray(-0.5 * (scaled**2).sum(axis=1) - failures * log_spread)
    risen = np.exp(np.minimum(scaled, 300.0))
    hazard = risen.sum(axis=1) + (units - failures) * risen[:, -1]
    return np.asarray(scaled.sum(axis=1) - hazard - failures * log_spread)


def best_location(name: Shape, score: Array, units: int, spread: Array) -> Array:
    """Location of the largest likelihood for each spread, (sample,), in closed form."""
    if name == "lognormal":
        return np.asarray(score.mean(axis=1))
    last, failures = score[:, -1], score.shape[1]
    risen = np.exp((score - last[:, np.newaxis]) / spread[:, np.newaxis]).sum(axis=1) + (units - failures)
    return np.asarray(last + spread * np.log(risen / failures))


def missed(name: Shape, units_each: int, failures: int) -> tuple[float, float]:
    """Shares of samples whose true life lies below the lower limit, and above the upper one."""
    rng = np.random.default_rng([failures, units_each])
    units, at = failures * units_each, AT[name]
    shape = (SAMPLES, units)
    drawn = np.log(rng.exponential(size=shape)) if name == "Weibull" else rng.standard_normal(shape)
    score = np.sort(drawn, axis=1)[:, :failures]

    def free(log_spread: Array) -> Array:
        where = best_location(name, score, units, np.exp(log_spread))
        return likelihood(name, score, units, log_spread, where)

    def held(log_spread: Array) -> Array:
        return likelihood(name, score, units, log_spread, at - at * np.exp(log_spread))

    spread, best = peak(free, SAMPLES)
    outside = 2.0 * (best - peak(held, SAMPLES)[1]) > DROP
    estimate = best_location(name, score, units, spread) + at * spread
    for row, out in zip(score[:CHECKED], outside[:CHECKED], strict=True):
        times = np.exp(np.append(row, np.full(units - failures, row[-1])))
        fit = fit_life(Lives.of_test(times, np.arange(units) < failures), name)
        low, high = fit.interval_of_life(FAILED)
        if (low <= math.exp(at) <= high) == out:
            raise RuntimeError(f"the package gives another interval: {name}, {failures} failures")
    return float(np.mean(outside & (estimate > at))), float(np.mean(outside & (estimate < at)))


def main() -> None:
    """Print the table."""
    print("# True lives outside their 95 % intervals, by the number of failures\n")
    print(f"Life by which {FAILED:.0%} fail; {SAMPLES} samples a row; 2.5 % on each side are meant.")
    print("Made by `tests/benchmarks/life_coverage.py`.\n")
    print("| failures | distribution | units | below the lower limit | above the upper limit |")
    print("|---|---|---|---|---|")
    for failures in FAILURES:
        for name, each in CASES:
            below, above = missed(name, each, failures)
            print(f"| {failures} | {name} | {failures * each} | {below:.1%} | {above:.1%} |", flush=True)


if __name__ == "__main__":
    main()
