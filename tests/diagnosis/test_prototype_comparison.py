"""Probabilities of a prototype's figures against closed forms, simulation of normal units and a hand computation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from distributions.errors import InvalidArgument
from margin.bench.compare import holm
from margin.diagnosis.baseline import Baseline
from margin.diagnosis.comparison import compared, distance, hotelling, prediction, predictive
from margin.diagnosis.figures import Figure, Shape

SHAPE = Shape(np.array([10.0]), np.zeros(1), np.zeros(1, dtype=np.intp), np.ones((1, 1), dtype=bool))
NAMES = ("sensitivity", "exponent", "hysteresis", "zero", "creep")


def baseline(own: np.ndarray, units: np.ndarray, by: str = "bench") -> Baseline:
    """Figures without readings behind them."""
    figures = tuple(Figure(name, "%", "") for name in NAMES[: own.size])
    none = np.zeros((1, 1))
    return Baseline(by, "units", figures, own, units, SHAPE, none, None, none, (), ())  # type: ignore[arg-type]


def test_hotelling_follows_the_f_distribution() -> None:
    """T2 (n - p) / ((n - 1) p) of one new unit with its factor n / (n + 1) is F(p, n - p), by its definition with an
    explicit inverse."""
    rng = np.random.default_rng(1)
    units, new = rng.standard_normal((9, 3)), rng.standard_normal(3)
    t2, p = hotelling(new, units)
    n, k = units.shape
    apart = new - units.mean(axis=0)
    d2 = float(apart @ np.linalg.inv(np.cov(units.T)) @ apart)
    assert t2 == pytest.approx(d2 * n / (n + 1), rel=1e-10)
    assert p == pytest.approx(stats.f.sf(d2 * (n - k) * n / ((n**2 - 1) * k), k, n - k), rel=1e-10)


def test_hotelling_of_one_figure_is_student() -> None:
    """With one figure T2 is t squared: the probabilities of both are the same."""
    units = np.array([1.0, 2.5, 3.0, 4.7, 2.2])
    assert hotelling(np.array([6.0]), units[:, None])[1] == pytest.approx(
        prediction(6.0, units, 0.95)[3], rel=1e-10
    )


def test_hotelling_probabilities_are_uniform() -> None:
    """Over 4000 samples of correlated normal units the probabilities are uniform (Kolmogorov and Smirnov)."""
    rng = np.random.default_rng(2)
    root = np.array([[1.0, 0.0], [0.8, 0.3]])
    drawn = rng.standard_normal((4000, 7, 2)) @ root.T
    found = [hotelling(each[0], each[1:])[1] for each in drawn]
    assert stats.kstest(found, "uniform").pvalue > 0.01


def test_prediction_limits_hold_one_more_unit() -> None:
    """Of 4000 new units 95 % lie within the limits from six others, within four standard errors."""
    rng = np.random.default_rng(3)
    drawn = rng.standard_normal((4000, 7))
    inside = [
        low <= each[0] <= high for each in drawn for _, low, high, _ in [prediction(each[0], each[1:], 0.95)]
    ]
    assert np.mean(inside) == pytest.approx(0.95, abs=4 * math.sqrt(0.95 * 0.05 / 4000))


def test_holm_by_hand() -> None:
    """0.01, 0.04, 0.03, 0.005 become 0.03, 0.06, 0.06, 0.02: 4 x 0.005, 3 x 0.01, 2 x 0.03, and not below it."""
    assert holm(np.array([0.01, 0.04, 0.03, 0.005])) == pytest.approx([0.03, 0.06, 0.06, 0.02])


@pytest.mark.parametrize("by", ["bench", "case"])
def test_false_alarms_and_power(by: str) -> None:
    """Unchanged normal units with correlated figures are unusual in at most 5 % of 400, and more often the more they
    change."""
    rng = np.random.default_rng(4)
    root = np.linalg.cholesky(0.5 + 0.5 * np.eye(5))
    count = 8 if by == "bench" else 1000
    shares = []
    fixed = rng.standard_normal((count, 5)) @ root.T
    for change in (0.0, 4.0, 8.0, 16.0):
        unusual = 0
        for _ in range(400):
            units = rng.standard_normal((count, 5)) @ root.T if by == "bench" else fixed
            own = root @ rng.standard_normal(5) + np.array([change, 0.0, 0.0, 0.0, 0.0])
            unusual += not compared(baseline(own, units, by)).nothing_unusual
        shares.append(unusual / 400)
    assert shares[0] <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / 400)
    assert shares == sorted(shares) and shares[3] > 0.9


@given(st.integers(0, 999), st.floats(-5.0, 5.0))
def test_probability_falls_with_the_distance(seed: int, shift: float) -> None:
    """A value further out on the same side is not more probable, by measured and by drawn units."""
    units = np.random.default_rng(seed).standard_normal(50)
    middle = float(np.median(units))
    for each in (prediction, predictive):
        centre = float(units.mean()) if each is prediction else middle
        assert each(centre + 2 * shift, units, 0.9)[3] <= each(centre + shift, units, 0.9)[3] + 1e-12


def test_place_among_drawn_units_is_exact() -> None:
    """Left out in turn, each of 200 units has the probability of its rank: those at most p are p of all."""
    units = np.random.default_rng(5).standard_normal((200, 3))
    alone = [distance(units[k], np.delete(units, k, axis=0))[1] for k in range(200)]
    assert np.mean(np.array(alone) <= 0.1) == pytest.approx(0.1, abs=0.011)
    single = [predictive(units[k, 0], np.delete(units[:, 0], k), 0.9)[3] for k in range(200)]
    assert np.mean(np.array(single) <= 0.1) == pytest.approx(0.1, abs=0.011)


def test_distance_grows_as_chi_square() -> None:
    """Squared distance from many normal units is chi-square with as many degrees of freedom as figures."""
    units = np.random.default_rng(6).standard_normal((40_000, 3)) @ np.diag([1.0, 5.0, 0.1])
    far = float(stats.chi2.ppf(0.9, 3))
    reached, p = distance(np.array([math.sqrt(far), 0.0, 0.0]), units)
    assert reached == pytest.approx(far, rel=0.03) and p == pytest.approx(0.1, abs=0.01)


def test_figures_without_variance_count_for_nothing() -> None:
    """A figure that is the same in every unit and in the prototype is no reason for an alarm; another value is."""
    units = np.column_stack([np.random.default_rng(7).standard_normal(1000), np.zeros(1000)])
    assert compared(baseline(np.array([0.3, 0.0]), units, "case")).nothing_unusual
    assert not compared(baseline(np.array([0.3, 1.0]), units, "case")).nothing_unusual


def test_too_few_units_are_refused() -> None:
    """Units that could never show the stated chance are refused with the number to draw; so is T2 with n <= p."""
    rng = np.random.default_rng(8)
    with pytest.raises(
        InvalidArgument, match=r"100 units cannot show a chance of 0\.05 for 6 comparisons: draw 480"
    ):
        compared(baseline(rng.standard_normal(5), rng.standard_normal((100, 5)), "case"))
    with pytest.raises(InvalidArgument, match=r"needs more than 3 units"):
        hotelling(np.zeros(3), rng.standard_normal((3, 3)))
    with pytest.raises(InvalidArgument, match=r"confidence must be from 0\.5"):
        compared(baseline(np.zeros(2), rng.standard_normal((9, 2))), 1.0)
