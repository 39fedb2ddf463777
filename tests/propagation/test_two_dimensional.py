"""What is not known, as an outer loop around the units: against Student's t and against an independent computation."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from pad_study import NONE, ONE_POINT, pad_case, use_draws
from scipy import stats
from scipy.special import ndtri

from distributions import Stream
from margin.case import Case
from margin.estimates.evaluate import evaluate
from margin.estimates.results import OptionResult
from margin.estimates.surface import fit_surface, powers
from margin.estimates.two_dimensional import convergence, ends_over_draws
from margin.propagation.run import run

Array = NDArray[np.float64]
FEW, SD, LIMIT = 5, 0.025, 0.06
KINDS = ("random", "latin", "sobol")


def five_sensors(**study: Any) -> Case:
    """A gain whose normal spread was measured on five sensors; a unit conforms within 6 %."""
    return pad_case(
        NONE,
        load={"check": ["60 N"]},
        sensor={"sensitivity": f"4 uS +/- {100 * SD} % (1 sigma, from {FEW} units)"},
        study=study,
    )


def found_for(case: Case) -> OptionResult:
    return evaluate(case, workers=2, with_budget=False).options[0]


def exact_ends() -> Array:
    """5 % and 95 % points of the yield over mean and spread, drawn here from their textbook distributions:
    s^2 ~ (n - 1) S^2 / chi2(n - 1), mean given s ~ N(0, s^2 / n) (Gelman et al., Bayesian Data Analysis, 3.2)."""
    draws = np.random.default_rng(20)
    s = SD * np.sqrt((FEW - 1) / draws.chisquare(FEW - 1, 1_000_000))
    mean = s / np.sqrt(FEW) * draws.standard_normal(s.size)
    within = stats.norm.cdf((LIMIT - mean) / s) - stats.norm.cdf((-LIMIT - mean) / s)
    return np.quantile(within, [0.05, 0.95])


@pytest.mark.parametrize("points", KINDS)
@pytest.mark.parametrize("outer", [200, 20_000])
def test_units_of_five_sensors_follow_student_t(points: str, outer: int) -> None:
    """Over all outer draws a unit follows Student's t with 4 degrees of freedom and scale s sqrt(1 + 1/5), whether
    each outer draw holds one unit or a hundred, for every kind of points (textbook result for a normal sample)."""
    case = five_sensors(units=20_000, outer=outer, points=points)
    drawn = use_draws(case, "sensor.sensitivity").ravel()
    predictive = stats.t(FEW - 1, scale=SD * np.sqrt(1.0 + 1.0 / FEW))
    distance = stats.kstest(drawn, predictive.cdf).statistic
    # the outer draws are the independent ones: Kolmogorov's 1 % point, 1.63 / sqrt(n), for their number
    assert distance < 1.63 / np.sqrt(outer)
    result = run(case, workers=2)
    share = result.tallies["none"].within[:, 2].sum() / result.plan.frame.units
    expected = predictive.cdf(LIMIT) - predictive.cdf(-LIMIT)
    assert share == pytest.approx(expected, abs=4.0 * np.sqrt(expected * (1.0 - expected) / outer))


@pytest.mark.parametrize(("points", "close"), [("random", 0.03), ("latin", 0.02), ("sobol", 0.02)])
def test_lower_bound_agrees_with_an_independent_computation(points: str, close: float) -> None:
    """100 outer draws of 200 units give the 5 % point over all that five sensors leave open to within 2 % of units
    (3 % where drawn at random), as computed apart by drawing mean and spread; its interval holds it."""
    low, high = exact_ends()
    found = found_for(five_sensors(units=20_000, outer=100, points=points)).decisive_yield
    assert found.knowledge is not None and found.known_low is not None
    assert found.knowledge == pytest.approx((low, high), abs=close)
    assert found.known_low.low <= low <= found.known_low.high
    assert found.known_low.high - found.known_low.low < 0.06
    assert found.lower_bound == found.known_low.value == found.knowledge[0]


def test_lower_bound_costs_no_unit_more() -> None:
    """Over 20 seeds the 5 % point scatters less than a quarter as much as that read off the yields of the same 100
    outer draws one by one."""
    low, _ = exact_ends()
    joined, single = [], []
    for seed in range(20):
        result = run(five_sensors(units=4000, outer=100, seed=seed, points="sobol"), workers=2)
        shares = result.tallies["none"].within[:, 2] / 40.0
        noise = float(np.mean(shares * (1.0 - shares))) / 39.0
        joined.append(ends_over_draws(shares, 40.0, noise, result.outer_scores(), 0.95)[0].value)
        single.append(ends_over_draws(shares, 40.0, noise, None, 0.95)[0].value)
    error = [np.sqrt(np.mean((np.array(each) - low) ** 2)) for each in (joined, single)]
    assert error[0] < 0.25 * error[1]


def test_interval_of_the_lower_bound_covers() -> None:
    """Over 100 studies the 95 % interval of the 5 % point holds the exact one in 88 to 99: yields that are probit
    and of second order in two unknowns, binomial counts of 100 units in each of 60 outer draws."""
    truth = np.array([1.6, 0.5, -0.3, -0.15, 0.1, 0.1])
    many = np.random.default_rng(1).standard_normal((400_000, 2))
    low = np.quantile(stats.norm.cdf(powers(many) @ truth), 0.05)
    covered = 0
    for seed in range(100):
        draws = np.random.default_rng(seed)
        scores = draws.standard_normal((60, 2))
        true = stats.norm.cdf(powers(scores) @ truth)
        shares = draws.binomial(100, true) / 100.0
        noise = float(np.mean(shares * (1.0 - shares))) / 99.0
        found, _ = ends_over_draws(shares, 100.0, noise, scores, 0.95)
        covered += found.low <= low <= found.high
    assert 88 <= covered <= 99


def test_surface_recovers_its_coefficients() -> None:
    """Shares that lie on a surface without scatter give back its coefficients, and no scatter beside it."""
    scores = np.random.default_rng(3).standard_normal((100, 3))
    truth = np.array([1.2, 0.4, -0.3, 0.1, -0.1, 0.05, 0.0, 0.1, 0.0, -0.1])
    shares = stats.norm.cdf(powers(scores) @ truth)
    surface = fit_surface(scores, shares, 100_000.0, 1e-6)
    assert surface is not None and surface.unknowns == (0, 1, 2)
    assert surface.coefficients == pytest.approx(truth, abs=1e-3)
    assert surface.scatter == 0.0


def test_lesser_unknowns_go_to_the_scatter() -> None:
    """Of twenty unknowns a surface through 100 outer draws holds those that matter, and finds what the others do."""
    draws = np.random.default_rng(7)
    scores = draws.standard_normal((100, 20))
    strength = np.full(20, 0.03)
    strength[[2, 11]] = 0.5
    shares = stats.norm.cdf(1.0 + scores @ strength)
    surface = fit_surface(scores, shares, 1000.0, 1e-8)
    assert surface is not None
    assert len(surface.unknowns) == 5 and {2, 11} <= set(surface.unknowns)
    assert surface.scatter == pytest.approx(0.03 * np.sqrt(15), rel=0.2)


def test_what_a_surface_leaves_is_found() -> None:
    """A scatter between outer draws that goes with none of the unknowns is found beside the surface."""
    draws = np.random.default_rng(4)
    scores = draws.standard_normal((2000, 2))
    true = stats.norm.cdf(1.0 + 0.3 * scores[:, 0] + 0.4 * draws.standard_normal(2000))
    shares = draws.binomial(50, true) / 50.0
    noise = float(np.mean(shares * (1.0 - shares))) / 49.0
    surface = fit_surface(scores, shares, 50.0, noise)
    assert surface is not None
    assert surface.scatter == pytest.approx(0.4, rel=0.1)


@pytest.mark.parametrize(
    ("draws", "unknowns", "share"),
    [(30, 5, 0.9), (100, 2, 1.0), (100, 2, 0.0), (100, 2, 0.9999), (100, 0, 0.9)],
)
def test_too_little_for_a_surface(draws: int, unknowns: int, share: float) -> None:
    """Few outer draws, hardly a unit of the rarer verdict or nothing unknown give no surface but order statistics,
    whose interval lies within 0 and 1 and holds the value."""
    generator = np.random.default_rng(5)
    scores = generator.standard_normal((draws, unknowns))
    shares = np.sort(generator.binomial(100, share, draws) / 100.0)
    noise = share * (1.0 - share) / 100.0
    assert fit_surface(scores, shares, 100.0, noise) is None
    low, high = ends_over_draws(shares, 100.0, noise, scores, 0.95)
    for end in (low, high):
        assert 0.0 <= end.low <= end.value <= end.high <= 1.0


def test_order_statistics_hold_the_quantile() -> None:
    """Without a surface the interval of the 5 % point holds it in 95 % of studies or more (David and Nagaraja, 2003,
    7.1): 400 studies of 150 outer draws."""
    low, covered = float(stats.beta(20, 3).ppf(0.05)), 0
    for seed in range(400):
        shares = stats.beta(20, 3).rvs(150, random_state=seed)
        found, _ = ends_over_draws(shares, 1e9, 0.0, None, 0.95)
        covered += found.low <= low <= found.high
    assert covered >= 0.93 * 400


def test_convergence_is_shown() -> None:
    """The lower bound over ever more outer draws ends at that of the study, in an interval that narrows."""
    found = found_for(five_sensors(units=20_000, outer=200))
    frame, bound = found.convergence, found.decisive_yield.known_low
    assert list(frame.columns) == ["outer", "lower_bound", "low", "high"]
    assert frame["outer"].is_monotonic_increasing and frame["outer"].iloc[-1] == 200
    assert bound is not None
    assert tuple(frame[["lower_bound", "low", "high"]].iloc[-1]) == (bound.value, bound.low, bound.high)
    width = frame["high"] - frame["low"]
    assert width.iloc[-1] < 0.5 * width.iloc[0]
    assert found_for(pad_case(ONE_POINT, study={"units": 100})).convergence.empty


def test_convergence_of_two_outer_draws() -> None:
    """A study of two outer draws has one row, whose interval says that nothing is known."""
    frame = convergence(np.array([0.8, 0.9]), 10.0, 0.0, np.zeros((2, 3)), 0.95)
    assert frame["outer"].tolist() == [2]
    assert (frame["low"].iloc[0], frame["high"].iloc[0]) == (0.0, 0.9)


@pytest.mark.parametrize("points", ["latin", "sobol"])
def test_outer_draws_and_units_are_independent(points: str) -> None:
    """Mean, spread and units are uncorrelated over repetitions even where each outer draw holds one unit: their
    points have no dimension in common."""
    case = five_sensors(units=4000, outer=4000, points=points)
    scores = run(case, workers=1).outer_scores()
    unit = use_draws(case, "sensor.sensitivity").ravel()
    assert scores.shape == (4000, 2)
    ratio = np.sqrt((FEW - 1) / stats.chi2(FEW - 1).ppf(stats.norm.cdf(scores[:, 0])))
    alone = unit / (SD * ratio) - scores[:, 1] / np.sqrt(FEW)
    assert stats.kstest(alone, "norm").pvalue > 0.01
    assert np.abs(np.corrcoef(np.vstack([scores.T, alone]))[2, :2]).max() < 4.0 / np.sqrt(4000)
    assert np.abs(np.corrcoef(np.vstack([scores.T**2, alone**2]))[2, :2]).max() < 4.0 / np.sqrt(4000)


def test_same_bits_however_cut() -> None:
    """1, 2 and 7 workers and blocks of any size give the same lower bound and convergence to the bit."""
    case = five_sensors(units=2000, outer=50)
    first = found_for(case)
    for workers, block in ((1, 40), (2, 333), (7, 2000)):
        other = evaluate(case, workers=workers, block=block, with_budget=False).options[0]
        assert other.decisive_yield == first.decisive_yield
        assert other.convergence.equals(first.convergence)


def test_scores_are_those_of_the_draws() -> None:
    """The scores of the outer draws are those under which the units were drawn."""
    case = five_sensors(units=300, outer=30, points="random")
    result = run(case, workers=1)
    name = f"{result.model.factors[0].knowledge_stream}: mean"
    expected = ndtri(Stream(case.study.seed).uniforms(name, 0, 30))
    assert result.outer_scores()[:, 1] == pytest.approx(expected)
