"""Plain draws until enough failed: where drawing ends, what is counted, how often the interval covers."""

from __future__ import annotations

import numpy as np
import pytest
from rare_limits import linear
from scipy.stats import nbinom

from margin.estimates.rare import failure_probability
from margin.estimates.rare.draws import Draws
from margin.estimates.rare.limit import CountedLimit
from margin.estimates.rare.plain import draw_until, plain_draws
from margin.estimates.rare.result import inverse_binomial_interval


@pytest.mark.parametrize(("failures", "draws"), [(5, 1000), (18, 400), (110, 2717)])
def test_the_ends_of_the_interval_leave_a_fortieth_on_each_side(failures: int, draws: int) -> None:
    """The negative binomial distribution of the number of draws, at the lower and the upper end (Haldane 1945)."""
    low, high = inverse_binomial_interval(failures, draws, 0.95)
    kept = draws - failures
    assert nbinom.cdf(kept, failures, low) == pytest.approx(0.025, rel=1e-6)
    assert nbinom.sf(kept - 1, failures, high) == pytest.approx(0.025, rel=1e-6)


@pytest.mark.parametrize(("failures", "probability"), [(2, 0.01), (5, 0.02), (18, 0.05)])
def test_the_interval_covers_exactly_however_few_failures_are_waited_for(
    failures: int, probability: float
) -> None:
    """Summed over the numbers of draws that can come out: 95 % and hardly more."""
    most = int(nbinom.isf(1e-5, failures, probability)) + failures
    held = [
        n
        for n in range(failures, most)
        if (ends := inverse_binomial_interval(failures, n, 0.95))[0] <= probability <= ends[1]
    ]
    assert 0.95 <= float(nbinom.pmf(np.array(held) - failures, failures, probability).sum()) <= 0.957


def test_all_failing_gives_an_interval_up_to_one() -> None:
    """Where every draw failed."""
    low, high = inverse_binomial_interval(10, 10, 0.95)
    assert low == pytest.approx(0.025 ** (1 / 10))
    assert high == 1.0


@pytest.mark.parametrize("wanted", [1, 7, 400])
def test_drawing_ends_with_the_failing_draw_waited_for(wanted: int) -> None:
    """The count is the place of that draw among the same draws taken at once."""
    known = linear(1.0, 2)
    found = draw_until(CountedLimit(known.limit, 2), Draws(3, "test"), wanted, 100_000)
    z = Draws(3, "test").normals(found.count, 2)
    failed = known.limit(z) < 0
    assert found.complete
    assert failed[-1]
    assert failed.sum() == wanted == found.failures


def test_the_most_draws_are_not_passed() -> None:
    """Out of reach, drawing ends at the bound and is told incomplete."""
    limit = CountedLimit(linear(3.0, 2).limit, 2)
    found = draw_until(limit, Draws(4, "test"), 1000, 5000)
    assert (found.count, found.complete) == (5000, False)
    assert limit.evaluations == 5000


def test_the_estimate_is_unbiased() -> None:
    """(k - 1) / (n - 1), with five failing draws only."""
    known = linear(1.645, 1)
    found = [
        plain_draws(CountedLimit(known.limit, 1), 0.49, 100_000, seed, 0.95, "").probability
        for seed in range(3000)
    ]
    assert np.mean(found) == pytest.approx(known.probability, abs=4 * np.std(found) / np.sqrt(3000))


def test_a_budget_too_small_is_said() -> None:
    """The interval is that of a share of a fixed number of draws, and the result has a warning."""
    known = linear(1.645, 1)
    found = failure_probability(known.limit, 1, target_cv=0.05, budget=1000, seed=1)
    assert found.method == "crude"
    assert found.evaluations <= 1000
    assert found.low < found.probability < found.high
    assert "raise the budget" in found.warnings[0]


def test_nothing_failing_within_the_budget_is_no_sharp_zero() -> None:
    """No failing draw: 0 with an upper end, an infinite coefficient of variation and a warning."""
    known = linear(6.0, 1)
    found = plain_draws(CountedLimit(known.limit, 1), 0.1, 1000, 1, 0.95, "")
    assert (found.probability, found.low) == (0.0, 0.0)
    assert found.high == pytest.approx(1 - 0.025 ** (1 / 1000))
    assert found.warnings
