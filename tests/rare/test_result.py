"""Intervals of an estimate, and how it prints."""

from __future__ import annotations

import pytest

from margin.estimates.rare import RareResult
from margin.estimates.rare.result import binomial_interval, lognormal_interval


@pytest.mark.parametrize(
    ("failures", "draws", "low", "high"),
    [(5, 1000, 0.00162542, 0.0116295), (0, 100, 0.0, 0.0362167), (10, 10, 0.6915029, 1.0)],
)
def test_clopper_pearson_limits_are_the_published_ones(
    failures: int, draws: int, low: float, high: float
) -> None:
    """Exact binomial limits (Clopper and Pearson 1934), recomputed; none and all failing included."""
    assert binomial_interval(failures, draws, 0.95) == (
        pytest.approx(low, rel=1e-5),
        pytest.approx(high, rel=1e-5),
    )


def test_the_lognormal_interval_narrows_to_the_normal_one() -> None:
    """With a small coefficient of variation the ends lie 1.96 standard errors away."""
    low, high = lognormal_interval(1e-6, 0.001, 0.95, 1e9)
    assert low == pytest.approx(1e-6 * (1 - 0.00195996), rel=1e-5)
    assert high == pytest.approx(1e-6 * (1 + 0.00195996), rel=1e-5)


def test_few_degrees_of_freedom_widen_the_interval() -> None:
    """Student's t instead of the normal quantile."""
    narrow = lognormal_interval(1e-6, 0.1, 0.95, 1000)
    wide = lognormal_interval(1e-6, 0.1, 0.95, 3)
    assert wide[0] < narrow[0] < narrow[1] < wide[1]


def test_a_result_prints_its_interval_and_its_cautions() -> None:
    """What a terminal shows."""
    text = str(
        RareResult(1.2e-6, 1e-6, 1.5e-6, 0.95, 0.1, 900, "importance", warnings=("a region was missed",))
    )
    assert "1.2e-06 (95 % interval 1e-06 to 1.5e-06)" in text
    assert "caution: a region was missed" in text
