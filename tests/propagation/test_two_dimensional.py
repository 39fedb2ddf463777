"""What is not known, as an outer loop around the units: against Student's t and against an independent computation."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from pad_study import NONE, ONE_POINT, pad_case, use_draws
from scipy import stats
from scipy.special import ndtr

from margin.backends.run import run
from margin.case import Case
from margin.estimates.evaluate import evaluate
from margin.estimates.outer_draws import bound_over_draws, convergence, noise_and_scatter, points_over_draws
from margin.estimates.results import OptionResult

Array = NDArray[np.float64]
FEW, SD, LIMIT = 5, 0.025, 0.06
CELLS = 4


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


@pytest.mark.parametrize("outer", [200, 600])
def test_units_of_five_sensors_follow_student_t(outer: int) -> None:
    """Over all outer draws a unit follows Student's t with 4 degrees of freedom and scale s sqrt(1 + 1/5) (textbook
    result for a normal sample)."""
    case = five_sensors(units=20_000, outer=outer)
    drawn = use_draws(case, "sensor.sensitivity").ravel()
    predictive = stats.t(FEW - 1, scale=SD * np.sqrt(1.0 + 1.0 / FEW))
    distance = stats.kstest(drawn, predictive.cdf).statistic
    # the outer draws are the independent ones: Kolmogorov's 1 % point, 1.63 / sqrt(n), for their number
    assert distance < 1.63 / np.sqrt(outer)
    result = run(case, workers=2)
    share = result.tallies["none"].within[:, 2].sum() / result.plan.frame.units
    expected = predictive.cdf(LIMIT) - predictive.cdf(-LIMIT)
    assert share == pytest.approx(expected, abs=4.0 * np.sqrt(expected * (1.0 - expected) / outer))


def test_lower_bound_agrees_with_an_independent_computation() -> None:
    """The interval of the 5 % point over all that five sensors leave open holds the one computed apart by drawing mean
    and spread, at 200 and at 2,000 outer draws, and narrows with the root of their number."""
    low, high = exact_ends()
    widths = []
    for outer in (200, 2000):
        found = found_for(five_sensors(units=64 * outer, outer=outer)).decisive_yield
        assert found.knowledge is not None and found.known_low is not None
        assert found.known_low.low <= low <= found.known_low.high
        assert found.knowledge[1] == pytest.approx(high, abs=0.01)
        assert found.lower_bound == found.known_low.value == found.knowledge[0]
        widths.append(found.known_low.high - found.known_low.low)
    assert widths[1] == pytest.approx(widths[0] / np.sqrt(10.0), rel=0.3)


def gain_yields(ratio: float, limit: float, draws: np.random.Generator, outer: int) -> Array:
    """Yield of outer draws under one shared gain, `ratio` times as wide as the units' own normal error of 1."""
    gain = ratio * draws.standard_normal(outer)
    return np.asarray(ndtr(limit - gain) - ndtr(-limit - gain))


def gain_bound(ratio: float, limit: float) -> float:
    """Their exact 5 % point: the yield falls with |gain|, of which 95 % lie within 1.96 standard deviations."""
    gain = ratio * stats.norm.ppf(0.975)
    return float(ndtr(limit - gain) - ndtr(-limit - gain))


def counted(yields: Array, units: int, draws: np.random.Generator) -> Array:
    """Conforming shares of CELLS cells of `units` units, (draw, cell)."""
    return np.asarray(draws.binomial(units, yields[:, None], (yields.size, CELLS)) / units)


@pytest.mark.parametrize(("ratio", "limit", "outer"), [(0.3, 1.96, 100), (1.0, 3.3, 100), (0.1, 1.96, 400)])
def test_bound_of_draws_with_one_cell_is_uncorrected_and_reaches_up(
    ratio: float, limit: float, outer: int
) -> None:
    """Draws with too few units to be counted in cells give the counted 5 % point, which is on the low side, and an
    interval that holds the exact one in 95 of 100 studies."""
    truth, held, values = gain_bound(ratio, limit), 0, []
    for seed in range(100):
        draws = np.random.default_rng(seed)
        yields = gain_yields(ratio, limit, draws, outer)
        found = bound_over_draws(draws.binomial(20, yields[:, None], (outer, 1)) / 20.0, 20.0, 0.95)
        held += found.low <= truth <= found.high
        values.append(found.value)
    assert held >= 95
    assert np.mean(values) < truth


@pytest.mark.parametrize(
    ("ratio", "limit", "outer", "units"),
    [
        (0.3, 1.96, 400, 64), (0.3, 1.96, 1000, 256), (1.0, 1.96, 400, 16), (1.0, 3.3, 400, 64),
        (0.3, 2.58, 400, 64), (0.1, 1.96, 1000, 256),
    ],
)  # fmt: skip
def test_interval_of_the_lower_bound_covers(ratio: float, limit: float, outer: int, units: int) -> None:
    """In 93 of 100 studies or more the interval holds the exact 5 % point under one shared gain, and in at most 8 it
    lies wholly above it, whether noise of counting or scatter between draws rules."""
    truth, held, above = gain_bound(ratio, limit), 0, 0
    for seed in range(100):
        draws = np.random.default_rng(seed)
        found = bound_over_draws(counted(gain_yields(ratio, limit, draws, outer), units, draws), units, 0.95)
        held += found.low <= truth <= found.high
        above += found.low > truth
    assert held >= 93
    assert above <= 8


def test_a_shared_unknown_leaves_no_bias() -> None:
    """With noise far below the scatter the bound converges to the exact 5 % point: 64 times the outer draws bring the
    error down to a fifth, root mean square over 20 studies."""
    truth = gain_bound(0.5, 1.96)
    errors = []
    for outer in (250, 16_000):
        found = []
        for seed in range(20):
            draws = np.random.default_rng(seed)
            found.append(
                bound_over_draws(counted(gain_yields(0.5, 1.96, draws, outer), 256, draws), 256, 0.95).value
            )
        errors.append(np.sqrt(np.mean((np.array(found) - truth) ** 2)))
    assert errors[1] < 0.2 * errors[0]


def test_noise_of_counting_is_measured() -> None:
    """Noise and scatter come out as they were put in: binomial counts of known yields."""
    draws = np.random.default_rng(8)
    yields = gain_yields(0.5, 1.96, draws, 20_000)
    noise, scatter = noise_and_scatter(counted(yields, 50, draws))
    assert noise == pytest.approx(np.mean(yields * (1.0 - yields)) / (CELLS * 50), rel=0.03)
    assert scatter == pytest.approx(yields.var(), rel=0.05)


@pytest.mark.parametrize("share", [0.0, 0.5, 0.999, 1.0])
@pytest.mark.parametrize("outer", [2, 85, 86, 400])
def test_no_interval_has_zero_width(outer: int, share: float) -> None:
    """Where all draws are alike the interval still has a width, holds its value and lies within 0 and 1; fewer than 86
    outer draws show no lower end (Wilks, 1941: 0.95^n > 0.0125)."""
    found = bound_over_draws(np.full((outer, CELLS), share), 25.0, 0.95)
    assert 0.0 <= found.low <= found.value <= found.high <= 1.0
    assert found.high > found.low
    assert (found.low == 0.0) == (outer < 86 or share == 0.0)


def test_higher_confidence_is_wider() -> None:
    """The interval at a higher level holds the one at a lower."""
    draws = np.random.default_rng(2)
    cells = counted(gain_yields(0.5, 1.96, draws, 400), 64, draws)
    narrow, wide = (bound_over_draws(cells, 64.0, level) for level in (0.9, 0.99))
    assert wide.low < narrow.low < narrow.high < wide.high
    assert wide.value == narrow.value


def test_both_points_over_draws() -> None:
    """The 5 % and 95 % points of known yields, counted without noise, are those of the yields (type 8 of Hyndman and
    Fan, 1996)."""
    yields = np.linspace(0.5, 0.9, 401)
    low, high = points_over_draws(np.repeat(yields[:, None], CELLS, axis=1))
    assert (low, high) == pytest.approx((0.52, 0.88), abs=1e-3)


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
    """A study of two outer draws has one row, whose interval says that nothing is known of the lower end."""
    frame = convergence(np.array([[0.8] * CELLS, [0.9] * CELLS]), 10.0, 0.95)
    assert frame["outer"].tolist() == [2]
    assert frame["low"].iloc[0] == 0.0


def test_same_bits_however_cut() -> None:
    """1, 2 and 7 workers and blocks of any size give the same lower bound and convergence to the bit."""
    case = five_sensors(units=3200, outer=100)
    first = found_for(case)
    for workers, block in ((1, 40), (2, 333), (7, 2000)):
        other = evaluate(case, workers=workers, block=block, with_budget=False).options[0]
        assert other.decisive_yield == first.decisive_yield
        assert other.convergence.equals(first.convergence)
