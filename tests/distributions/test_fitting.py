"""Shapes fitted to measured values: published estimates, closed forms, coverage, honest small samples."""

import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats
from scipy.special import polygamma

from distributions import Beta, Gamma, Normal, Rectangular, StudentT, Triangular, Weibull, fit_shapes
from distributions.fitting import estimators, searched
from distributions.fitting.goodness import anderson_darling

BEARINGS = np.fromstring(
    """17.88 28.92 33.00 41.52 42.12 45.60 48.40 51.84 51.96 54.12 55.56 67.80 68.64 68.64 68.88 84.12 93.12
    98.64 105.12 105.84 127.92 128.04 173.40""",
    sep=" ",
)
"""Lives of 23 deep groove ball bearings, 1e6 turns (Lieblein and Zelen, J. Res. NBS 57, 1956, 273)."""


def rng(seed: int) -> np.random.Generator:
    """Generator of that seed."""
    return np.random.default_rng(seed)


def binomial_ends(count: int, chance: float, risk: float = 1e-3) -> tuple[int, int]:
    """Counts that `count` trials stay within but for a chance of `risk`."""
    return int(stats.binom.ppf(risk / 2, count, chance)), int(stats.binom.ppf(1 - risk / 2, count, chance))


def test_ball_bearings() -> None:
    """Weibull 2.102 and 81.88 (Thoman, Bain and Antle 1969), lognormal exp(4.150) and 0.522, gamma 4.02
    (Lawless 2003, examples of chapters 4 and 5; values from memory)."""
    found = fit_shapes(BEARINGS, ["Weibull", "lognormal", "gamma"], repeats=199)
    assert found["Weibull"].parameters == pytest.approx([2.102, 81.88], rel=3e-4)
    assert np.log(found["lognormal"].parameters[0]) == pytest.approx(4.150, abs=5e-4)
    assert found["lognormal"].parameters[1] == pytest.approx(0.522, abs=5e-4)
    assert found["gamma"].parameters[0] == pytest.approx(4.02, abs=0.01)
    assert all(fit.p_value > 0.3 for fit in found.fits) and not found.told_apart


def test_weibull_bias_of_ten_values() -> None:
    """Estimated over true shape of 10 values: mean 1 / 0.859, 5 and 95 % points 0.738 and 1.807 (Thoman, Bain
    and Antle, Technometrics 11, 1969, 445; from memory, themselves from 10,000 samples)."""
    shape = estimators.weibull(np.sort(rng(1).weibull(1.0, (20_000, 10)), axis=1))[:, 0]
    assert 1 / shape.mean() == pytest.approx(0.859, rel=0.01)
    assert np.quantile(shape, [0.05, 0.95]) == pytest.approx([0.738, 1.807], rel=0.02)


@pytest.mark.parametrize(
    ("estimate", "draw", "cdf", "modified", "points"),
    [
        (estimators.normal, "standard_normal", lambda x, p: stats.norm.cdf(x, p[:, :1], p[:, 1:]),
         lambda a, n: a * (1 + 0.75 / n + 2.25 / n**2), (0.631, 0.752, 1.035)),
        (estimators.exponential, "standard_exponential", lambda x, p: -np.expm1(-x / p),
         lambda a, n: a * (1 + 0.6 / n), (1.062, 1.321, 1.959)),
        (estimators.weibull, "standard_exponential", lambda x, p: -np.expm1(-((x / p[:, 1:]) ** p[:, :1])),
         lambda a, n: a * (1 + 0.2 / np.sqrt(n)), (0.637, 0.757, 1.038)),
    ],
)  # fmt: skip
def test_critical_values_of_the_anderson_darling_statistic(estimate, draw, cdf, modified, points) -> None:
    """With fitted parameters, A^2 passes the published points of 10, 5 and 1 % as often as they say
    (Stephens in D'Agostino and Stephens, Goodness-of-Fit Techniques, 1986, tables 4.7, 4.14, 4.17)."""
    count, n = 8000, 25
    samples = np.sort(getattr(rng(2), draw)((count, n)), axis=1)
    found = modified(anderson_darling(cdf(samples, estimate(samples))), n)
    for point, level in zip(points, (0.10, 0.05, 0.01), strict=True):
        assert np.mean(found > point) == pytest.approx(level, abs=max(0.12 * level, 0.004))


def test_statistic_is_that_of_the_library() -> None:
    """A^2 of a normal fit equals that of scipy.stats.goodness_of_fit, with its estimates, and p agrees."""
    x = 3 + 2 * rng(3).standard_normal(20) ** 3
    ours = fit_shapes(x, ["normal"])["normal"]
    known = {"loc": x.mean(), "scale": x.std()}
    theirs = stats.goodness_of_fit(stats.norm, x, statistic="ad", n_mc_samples=999, rng=rng(4))
    assert ours.statistic == pytest.approx(
        stats.goodness_of_fit(stats.norm, x, known_params=known, statistic="ad", n_mc_samples=1).statistic
    )
    assert ours.p_value == pytest.approx(theirs.pvalue, abs=0.03)


def test_closed_forms() -> None:
    """Mean, sd with n, mean of logarithms, root mean squares and unbiased limits, by hand from 1, 2, 4."""
    found = fit_shapes([4.0, 1.0, 2.0], repeats=19)
    logs = np.log([1.0, 2.0, 4.0])
    assert found["normal"].parameters == pytest.approx([7 / 3, np.sqrt(14 / 9)])
    assert found["lognormal"].parameters == pytest.approx([2.0, logs.std()])
    assert found["exponential"].parameters == pytest.approx([7 / 3])
    assert found["half-normal"].parameters == pytest.approx([np.sqrt(7)])
    assert found["Rayleigh"].parameters == pytest.approx([np.sqrt(3.5)])
    assert found["rectangular"].parameters == pytest.approx([-0.5, 5.5])


@pytest.mark.parametrize(
    ("title", "shape", "library"),
    [
        ("gamma", Gamma(3.0, 2.0), lambda x: np.take(stats.gamma.fit(x, floc=0), [0, 2])),
        ("Weibull", Weibull(1.7, 5.0), lambda x: np.take(stats.weibull_min.fit(x, floc=0), [0, 2])),
        ("beta", Beta(2.0, 5.0, -1.0, 3.0),
         lambda x: [*stats.beta.fit(x, floc=-1, fscale=4)[:2], -1.0, 3.0]),
        ("Student t", StudentT(1.0, 0.2, 4.0), lambda x: np.take(stats.t.fit(x), [1, 2, 0])),
    ],
)  # fmt: skip
def test_greatest_likelihood_is_that_of_the_library(title, shape, library) -> None:
    """Estimates found by search agree with those of scipy.stats."""
    x = shape.ppf(rng(5).random(60))
    found = fit_shapes(x, [title], limits=(-1.0, 3.0), repeats=19)[title]
    assert found.parameters == pytest.approx(library(x), rel=2e-3)
    assert type(found.distribution) is type(shape)


def test_triangular_limits_and_mode_have_the_greatest_likelihood() -> None:
    """No triangle found by a global search of all three parameters is likelier than the fitted one."""
    x = np.sort(Triangular(-1.0, 4.0, 0.5).ppf(rng(6).random(25)))
    low, high, mode = searched.triangular(x[None, :])[0]

    def misfit(p):
        left, right, peak = x[0] - p[0], x[-1] + p[1], p[2]
        return -np.log(np.maximum(Triangular(left, right, peak).pdf(x), 1e-300)).sum()

    found = optimize.differential_evolution(misfit, [(1e-6, 5), (1e-6, 5), (x[0], x[-1])], rng=1, tol=1e-10)
    assert -np.log(Triangular(low, high, mode).pdf(x)).sum() == pytest.approx(found.fun, abs=1e-4)


@given(st.floats(-1e3, 1e3), st.floats(1e-3, 1e3), st.integers(0, 100))
@settings(max_examples=20, deadline=None)
def test_scale_and_shift(location, scale, seed) -> None:
    """Parameters follow scale and shift; the statistic of a location-scale shape does not move."""
    x = rng(seed).standard_normal(12)
    plain = fit_shapes(x, ["normal", "rectangular"], repeats=19)
    moved = fit_shapes(location + scale * x, ["normal", "rectangular"], repeats=19)
    wanted = location + scale * plain["rectangular"].parameters
    assert moved["rectangular"].parameters == pytest.approx(wanted, rel=1e-6, abs=1e-6)
    assert moved["normal"].parameters[1] == pytest.approx(scale * plain["normal"].parameters[1], rel=1e-6)
    assert moved["normal"].statistic == pytest.approx(plain["normal"].statistic, rel=1e-5, abs=1e-5)


def test_draws_of_normal_parameters_are_the_exact_ones() -> None:
    """sd^2 ~ n s^2 / chi2(n - 1) and mean by Student t(n - 1): the draws' quantiles meet both (JCGM 101,
    6.4.9.2)."""
    x = rng(7).standard_normal(6)
    fit = fit_shapes(x, ["normal"], repeats=20_000)["normal"]
    low, high = fit.interval("sd")
    exact = x.std() * np.sqrt(6 / stats.chi2.ppf([0.975, 0.025], 5))
    assert (low, high) == pytest.approx(exact, rel=0.03)
    half = stats.t.ppf(0.975, 5) * x.std(ddof=1) / np.sqrt(6)
    assert fit.interval("mean") == pytest.approx((x.mean() - half, x.mean() + half), abs=0.04 * half)


def test_draws_meet_the_observed_information_of_many_values() -> None:
    """For 400 gamma values the covariance of the draws is the inverse of the information, within 20 %."""
    x = Gamma(3.0, 2.0).ppf(rng(8).random(400))
    fit = fit_shapes(x, ["gamma"], repeats=1000)["gamma"]
    shape, scale = fit.parameters
    information = 400 * np.array([[polygamma(1, shape), 1 / scale], [1 / scale, shape / scale**2]])
    errors = np.sqrt(np.diag(np.linalg.inv(information)))
    assert fit.standard_errors == pytest.approx(errors, rel=0.2)
    assert fit.covariance[0, 1] < 0


@pytest.mark.parametrize(
    ("title", "truth", "n"),
    [
        ("normal", Normal(5.0, 2.0), 6),
        ("rectangular", Rectangular(-1.0, 3.0), 6),
        ("Weibull", Weibull(2.0, 7.0), 8),
        ("gamma", Gamma(4.0, 0.5), 12),
        ("beta", Beta(2.0, 3.0, 0.0, 1.0), 15),
    ],
)
def test_intervals_cover_the_truth(title, truth, n) -> None:
    """Of 100 samples, the 95 % intervals of each parameter hold the truth as often as 95 % (gamma and beta:
    93 %) would but for a chance of 1 in 1000."""
    samples = truth.ppf(rng(19).random((100, n)))
    fits = [fit_shapes(x, [title], limits=(0.0, 1.0), repeats=399, seed=i) for i, x in enumerate(samples)]
    for name in fits[0].best.names:
        if title == "beta" and name in ("low", "high"):
            continue
        ends = [fit.best.interval(name) for fit in fits]
        hits = sum(low <= getattr(truth, name) <= high for low, high in ends)
        least, most = binomial_ends(100, 0.95)
        if title in ("gamma", "beta"):
            least = binomial_ends(100, 0.93)[0]
        assert least <= hits <= most, (name, hits)


def test_p_values_are_uniform_for_the_right_shape() -> None:
    """Of 200 lognormal samples, p lies below 0.1 in some 20 and below 0.5 in some 100."""
    samples = np.exp(0.3 * rng(10).standard_normal((200, 10)))
    chances = np.array([fit_shapes(x, ["lognormal"], repeats=199).best.p_value for x in samples])
    for level in (0.1, 0.5):
        low, high = binomial_ends(200, level)
        assert low <= np.sum(chances <= level) <= high


def test_wrong_shapes_are_found_out() -> None:
    """Of 200 exponential values the exponential ranks first or within 2, the normal and rectangular fail."""
    x = rng(11).exponential(3.0, 200)
    found = fit_shapes(x)
    assert "exponential" in [fit.title for fit in found.supported]
    assert "no support" in found.left_out["normal"] and "no support" in found.left_out["rectangular"]
    asked = fit_shapes(x, ["normal", "exponential"], repeats=199)
    assert asked["normal"].p_value == pytest.approx(1 / 200) and asked["exponential"].p_value > 0.05
    assert asked.told_apart and asked.best.weight > 0.999


def test_few_values_do_not_tell_shapes_apart() -> None:
    """Seven values: every shape stays, the note says that none can be told from another; eight: no note."""
    x = np.exp(rng(12).standard_normal(8))
    seven, eight = fit_shapes(x[:7], repeats=99), fit_shapes(x, repeats=99)
    assert seven.supported == seven.fits and not seven.told_apart
    assert "7 values do not distinguish shapes" in str(seven)
    assert eight.notes == ()


def test_criterion_by_hand() -> None:
    """AICc of an exponential fit: 2 n (ln mean + 1) + 2 n / (n - 2)."""
    x = rng(13).exponential(2.0, 9)
    expected = 18 * (np.log(x.mean()) + 1) + 18 / 7
    assert fit_shapes(x, ["exponential"], repeats=19).best.aicc == pytest.approx(expected)


def test_possible_distributions_spread_as_the_predictive() -> None:
    """Averaged over the draws, a further value's chance to lie below is that of Student t(n - 1) with
    s sqrt(1 + 1/n) (Gelman et al., Bayesian Data Analysis, 3.2)."""
    x = rng(14).standard_normal(6)
    fit = fit_shapes(x, ["normal"], repeats=4000)["normal"]
    share = np.mean([float(fit.possible(i).cdf(2.0)) for i in range(4000)])
    scale = x.std(ddof=1) * np.sqrt(7 / 6)
    assert share == pytest.approx(float(stats.t.cdf((2.0 - x.mean()) / scale, 5)), abs=0.006)


def test_same_seed_same_fit() -> None:
    """The simulated samples of a shape do not depend on which others are fitted."""
    one, two = (
        fit_shapes(BEARINGS, ["Weibull"], repeats=99),
        fit_shapes(BEARINGS, ["normal", "Weibull"], repeats=99),
    )
    assert np.array_equal(one["Weibull"].draws, two["Weibull"].draws)


@pytest.mark.parametrize(
    ("values", "options", "words"),
    [
        ([1.0, 2.0], {}, "needs 3 or more values"),
        ([[1.0, 2.0, 3.0]], {}, "in one row"),
        ([1.0, np.nan, 3.0], {}, "value 1 is nan"),
        ([2.0, 2.0, 2.0], {}, "all values are 2"),
        ([1.0, 2.0, 3.0], {"shapes": ["cauchy"]}, "no shape 'cauchy'"),
        ([1.0, 2.0, 3.0], {"repeats": 5}, "19 or more"),
        ([-1.0, 2.0, 3.0], {"shapes": ["gamma"]}, "needs values above 0, the smallest is -1"),
        ([0.1, 0.2, 2.0], {"shapes": ["beta"], "limits": (0.0, 1.0)}, "needs values below 1"),
    ],
)
def test_bad_input(values, options, words) -> None:
    """Each kind of unusable input is refused with what is wrong."""
    with pytest.raises(ValueError, match=words):
        fit_shapes(values, **options)


def test_what_was_left_out_says_why() -> None:
    """A shape that does not suit the values is named with its reason, also where it is asked for."""
    found = fit_shapes([-1.0, 2.0, 3.0, 5.0], repeats=19)
    assert "above 0" in found.left_out["lognormal"] and "limits are not stated" in found.left_out["beta"]
    with pytest.raises(KeyError, match="above 0"):
        found["lognormal"]
    with pytest.raises(KeyError, match="no parameter 'mode'"):
        found.best.interval("mode")


def test_import_stays_light() -> None:
    """Importing the package does not import scipy.stats."""
    code = "import sys, distributions; sys.exit('scipy.stats' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
