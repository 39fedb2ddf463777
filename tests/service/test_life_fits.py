"""Fits to lives with censoring: published values, a general-purpose library, and coverage of the intervals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from distributions.errors import InvalidArgument
from margin.service.life_fits import Lives, fit_life

HANDBOOK = [54.0, 187.0, 216.0, 240.0, 244.0, 335.0, 361.0, 373.0, 375.0, 386.0]
"""Failure times, h, of 20 units tested to 500 h: NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.1.3 (the data
from memory; the published fit confirms them)."""
TEST = Lives.of_test([*HANDBOOK, *[500.0] * 10], [True] * 10 + [False] * 10)
EDGES = np.array([0.0, 100.0, 250.0, 400.0])
INSPECTED = Lives(
    np.concatenate([EDGES[:-1].repeat([2, 5, 9]), np.full(6, 400.0)]),
    np.concatenate([EDGES[1:].repeat([2, 5, 9]), np.full(6, np.inf)]),
)
"""Failures found at inspections, and units that worked at the last."""


def test_published_maximum_likelihood_fit() -> None:
    """The same section of the handbook: scale 606.5280, shape 1.7208."""
    fit = fit_life(TEST, "Weibull")
    assert fit.scale == pytest.approx(606.5280, abs=5e-4)
    assert fit.shape == pytest.approx(1.7208, abs=5e-5)


@pytest.mark.parametrize("lives", [TEST, INSPECTED], ids=["exact", "inspected"])
@pytest.mark.parametrize(("name", "family"), [("Weibull", stats.weibull_min), ("lognormal", stats.lognorm)])
def test_fits_of_a_general_library(name: str, family: stats.rv_continuous, lives: Lives) -> None:
    """scipy.stats on the same data: the same fit, and the likelihood that its distributions give."""
    exact, right = lives.low == lives.high, np.isinf(lives.high)
    between = ~exact & ~right
    intervals = np.stack([lives.low[between], lives.high[between]], axis=1)
    given = {"interval": intervals} if between.any() else {"uncensored": lives.low[exact]}
    shape, _, scale = family.fit(stats.CensoredData(right=lives.low[right], **given), floc=0)
    fit = fit_life(lives, name)  # type: ignore[arg-type]
    assert fit.scale == pytest.approx(scale, rel=1e-3)
    assert fit.shape == pytest.approx(shape, rel=1e-3)
    law = family(fit.shape, scale=fit.scale)
    expected = law.logpdf(lives.low[exact]).sum() + law.logsf(lives.low[right]).sum()
    expected += np.log(law.cdf(intervals[:, 1]) - law.cdf(intervals[:, 0])).sum()
    assert fit.log_likelihood == pytest.approx(float(expected), rel=1e-9)
    assert fit.reliability(150.0) == pytest.approx(float(law.sf(150.0)), rel=1e-9)
    assert fit.life(0.1) == pytest.approx(float(law.ppf(0.1)), rel=1e-9)


def test_two_fits_are_compared_by_their_likelihood() -> None:
    """Of lives drawn from one shape, its own fit has the lower criterion of Akaike in most draws."""
    rng = np.random.default_rng(3)
    better = 0
    for _ in range(20):
        lives = Lives.of_test(
            stats.weibull_min.rvs(1.5, scale=100.0, size=200, random_state=rng), np.ones(200)
        )
        better += fit_life(lives, "Weibull").akaike < fit_life(lives, "lognormal").akaike
    assert better >= 18


@pytest.mark.parametrize("name", ["Weibull", "lognormal"])
def test_intervals_cover(name: str) -> None:
    """At 90 %, over 40 tests of 25 units with a third still working: 36 +- 1.9 hold the truth; 29 would be refuted."""
    rng = np.random.default_rng(5)
    law = stats.weibull_min(1.8, scale=1000.0) if name == "Weibull" else stats.lognorm(0.6, scale=1000.0)
    end = float(law.ppf(0.67))
    held = np.zeros(3, dtype=int)
    for _ in range(40):
        times = law.rvs(size=25, random_state=rng)
        fit = fit_life(Lives.of_test(np.minimum(times, end), times <= end), name)  # type: ignore[arg-type]
        truths = (float(law.ppf(0.1)), float(law.sf(500.0)), 1.8 if name == "Weibull" else 0.6)
        found = (
            fit.interval_of_life(0.1, 0.9),
            fit.interval_of_reliability(500.0, 0.9),
            fit.interval_of_shape(0.9),
        )
        held += [low <= truth <= high for truth, (low, high) in zip(truths, found, strict=True)]
    assert held.min() >= 30, held


def test_an_interval_may_have_no_end() -> None:
    """Two failures among a hundred units: nothing bounds the life of half of them from above as their spread may be
    huge, but the ends are in order and hold the estimate."""
    fit = fit_life(Lives.of_test([90.0, 95.0, *[100.0] * 98], [True] * 2 + [False] * 98), "Weibull")
    low, high = fit.interval_of_life(0.5, 0.999)
    assert low <= fit.life(0.5) <= high


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        ([], [], "same length"),
        ([1.0, 2.0], [1.0], "same length"),
        ([1.0, -2.0, 3.0], [1.0, 2.0, 3.0], "life 2 lies between -2 and 2"),
        ([1.0, 5.0, 3.0], [1.0, 2.0, 3.0], "life 2 lies between 5 and 2"),
        ([1.0, math.nan, 3.0], [1.0, 2.0, 3.0], "life 2 lies between nan"),
        ([1.0, 2.0, 3.0], [math.inf, math.inf, 3.0], "1 of 3 units failed"),
    ],
)
def test_lives_that_cannot_be_are_refused(low: list[float], high: list[float], words: str) -> None:
    """One message that names the life."""
    with pytest.raises(InvalidArgument, match=words):
        Lives(np.array(low), np.array(high))


def test_no_spread_is_refused() -> None:
    """Failures at one time tell no spread."""
    with pytest.raises(InvalidArgument, match="one time"):
        fit_life(Lives.of_test([100.0, 100.0, 100.0], [True, True, True]), "Weibull")


@pytest.mark.parametrize("value", [0.0, 1.0, -0.1, math.nan])
def test_shares_lie_between_0_and_1(value: float) -> None:
    """A quantile at 0 or 1 has no value."""
    fit = fit_life(TEST, "Weibull")
    with pytest.raises(InvalidArgument, match="no share"):
        fit.life(value)
    with pytest.raises(InvalidArgument, match="not above 0"):
        fit.reliability(value if not value > 0.0 else -1.0)
