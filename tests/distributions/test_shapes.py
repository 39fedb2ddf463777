"""Every shape: density, cumulative probability, inverse and moments agree with one another and with scipy."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from distributions import (
    Arcsine,
    Beta,
    CurvilinearTrapezoid,
    Discrete,
    Distribution,
    Empirical,
    Exponential,
    Fixed,
    Gamma,
    HalfNormal,
    InvalidParameter,
    Lognormal,
    Mixture,
    NoDensity,
    Normal,
    Rayleigh,
    Rectangular,
    SelectedOut,
    Shifted,
    StudentT,
    Trapezoidal,
    Triangular,
    Truncated,
    Weibull,
)

CONTINUOUS: list[Distribution] = [
    Normal(1.0, 0.3),
    Rectangular(-2.0, 5.0),
    Triangular(-1.0, 3.0),
    Triangular(-1.0, 3.0, 2.5),
    Triangular(0.0, 1.0, 0.0),
    Triangular(0.0, 1.0, 1.0),
    Trapezoidal(-1.0, 2.0, 0.4),
    Trapezoidal(-1.0, 2.0, 0.0),
    Trapezoidal(-1.0, 2.0, 1.0),
    CurvilinearTrapezoid(-1.0, 1.0, 0.1),
    CurvilinearTrapezoid(0.0, 1.0, 0.49),
    Arcsine(-0.5, 0.5),
    StudentT(215.0, 6.0, 24.0),
    StudentT(0.0, 4.0, 5.0),
    Lognormal(2.0, 0.4),
    Beta(2.0, 5.0, -1.0, 3.0),
    Beta(0.7, 0.6),
    Gamma(3.5, 2.0),
    Exponential(0.5),
    HalfNormal(2.0),
    Rayleigh(0.2),
    Weibull(1.7, 3.0),
    Truncated(Normal(0.0, 1.0), -1.0, 0.5),
    Truncated(Exponential(2.0), 1.0, math.inf),
    Truncated(Lognormal(1.0, 0.3), 0.7, 1.2),
    SelectedOut(Normal(0.0, 1.0), -0.7, 0.3),
    SelectedOut(Rectangular(-5.0, 5.0), -1.0, 1.0),
    Shifted(Gamma(2.0, 1.0), -3.0, 0.5),
    Mixture((Normal(0.0, 1.0), Normal(6.0, 0.2)), (3.0, 1.0)),
    Mixture((Rectangular(0.0, 1.0), Rectangular(4.0, 5.0)), (1.0, 1.0)),
]
STEPPED: list[Distribution] = [
    Fixed(0.3),
    Discrete((2.0, -1.0, 0.1), (1.0, 5.0, 2.0)),
    Empirical((0.3, 0.1, 0.2, 0.1, 0.7)),
    Shifted(Discrete((0.1, 0.2, 0.3), (1.0, 1.0, 1.0)), 0.7, 3.0),
]
ATOMS_AND_MORE = Mixture((Fixed(0.3), Normal(0.0, 1.0)), (0.25, 0.75))


def label(distribution: Distribution) -> str:
    return distribution.describe()


GRID = np.concatenate([[1e-9, 1e-6, 1e-3], np.linspace(0.01, 0.99, 99), [0.999, 1.0 - 1e-6]])


@pytest.mark.parametrize("d", CONTINUOUS + [ATOMS_AND_MORE], ids=label)
def test_cumulative_probability_of_the_inverse_gives_the_probability_back(d: Distribution) -> None:
    """cdf(ppf(u)) is u wherever no value has probability of its own, to rounding of the value."""
    u = GRID[~np.isin(d.ppf(GRID), d.atoms)]
    x = d.ppf(u)
    rounding = d.cdf(np.nextafter(x, np.inf)) - d.cdf(np.nextafter(x, -np.inf))
    assert np.all(np.abs(d.cdf(x) - u) <= 1e-9 * u + np.maximum(rounding, 0.0) + 1e-15)


@pytest.mark.parametrize("d", CONTINUOUS, ids=label)
def test_inverse_of_the_cumulative_probability_gives_the_value_back(d: Distribution) -> None:
    """ppf(cdf(x)) is x inside the support, to rounding of the probability over the density."""
    x = d.ppf(np.linspace(0.02, 0.98, 97))
    np.testing.assert_allclose(d.ppf(d.cdf(x)), x, rtol=1e-9, atol=1e-9 * d.sd)


@pytest.mark.parametrize("d", [*STEPPED, ATOMS_AND_MORE], ids=label)
def test_inverse_gives_back_values_that_have_probability(d: Distribution) -> None:
    """ppf(cdf(x)) is exactly x for every value with probability of its own."""
    np.testing.assert_array_equal(d.ppf(np.minimum(d.cdf(d.atoms), 1.0 - 2.0**-53)), d.atoms)


@pytest.mark.parametrize("d", CONTINUOUS + STEPPED + [ATOMS_AND_MORE], ids=label)
def test_cumulative_probability_rises_from_0_to_1(d: Distribution) -> None:
    """cdf never falls, is 0 left of the support and 1 at its upper end, and ppf never falls either."""
    low, high = (float(end) for end in d.ppf(np.array([1e-9, 1.0 - 1e-9])))
    cumulative = d.cdf(np.linspace(low - 1.0, high + 1.0, 2001))
    assert np.all(np.diff(cumulative) >= -1e-15)
    assert cumulative.min() >= 0.0 and cumulative.max() <= 1.0
    assert np.all(np.diff(d.ppf(GRID)) >= 0.0)
    support_low, support_high = d.support
    if math.isfinite(support_low):
        assert d.cdf(support_low - 1e-6) == 0.0
    if math.isfinite(support_high):
        assert d.cdf(support_high) == pytest.approx(1.0, abs=1e-15)


@pytest.mark.parametrize("d", CONTINUOUS, ids=label)
def test_density_integrates_to_differences_of_the_cumulative_probability(d: Distribution) -> None:
    """The integral of pdf between quantiles is the difference of cdf."""
    edges = np.unique(d.ppf(np.linspace(0.01, 0.99, 12)))
    kinks = [getattr(d, name) for name in ("inner_low", "inner_high", "peak") if hasattr(d, name)]
    for a, b in itertools.pairwise(edges):
        points = [k for k in kinks if a < k < b] or None
        # scipy splits at known kinks; the default subdivision handles the shoulders of trapezoids
        found = integrate.quad(lambda x: float(d.pdf(x)), a, b, points=points, limit=400)[0]
        assert found == pytest.approx(float(d.cdf(b) - d.cdf(a)), abs=2e-7)


@pytest.mark.parametrize("d", CONTINUOUS + STEPPED + [ATOMS_AND_MORE], ids=label)
def test_mean_and_sd_are_those_of_the_inverse(d: Distribution) -> None:
    """Mean and standard deviation agree with a midpoint sum of ppf over 400 000 probabilities."""
    u = (np.arange(400_000) + 0.5) / 400_000
    x = d.ppf(u)
    scale = d.sd or 1.0
    assert d.mean == pytest.approx(float(x.mean()), abs=2e-4 * scale)
    assert d.sd == pytest.approx(float(x.std()), abs=3e-3 * scale)


SCIPY = [
    (Normal(1.0, 0.3), stats.norm(1.0, 0.3)),
    (Rectangular(-2.0, 5.0), stats.uniform(-2.0, 7.0)),
    (Triangular(-1.0, 3.0, 2.5), stats.triang(3.5 / 4.0, -1.0, 4.0)),
    (Trapezoidal(-1.0, 2.0, 0.4), stats.trapezoid(0.3, 0.7, -1.0, 3.0)),
    (Arcsine(-0.5, 0.5), stats.arcsine(-0.5, 1.0)),
    (StudentT(215.0, 6.0, 24.0), stats.t(24.0, 215.0, 6.0)),
    (Lognormal(2.0, 0.4), stats.lognorm(0.4, scale=2.0)),
    (Beta(2.0, 5.0, -1.0, 3.0), stats.beta(2.0, 5.0, -1.0, 4.0)),
    (Gamma(3.5, 2.0), stats.gamma(3.5, scale=2.0)),
    (Exponential(0.5), stats.expon(scale=0.5)),
    (HalfNormal(2.0), stats.halfnorm(scale=2.0)),
    (Rayleigh(0.2), stats.rayleigh(scale=0.2)),
    (Weibull(1.7, 3.0), stats.weibull_min(1.7, scale=3.0)),
    (Truncated(Normal(1.0, 2.0), -1.0, 1.5), stats.truncnorm(-1.0, 0.25, 1.0, 2.0)),
]


@pytest.mark.parametrize(
    ("d", "reference"), SCIPY, ids=lambda v: v.describe() if hasattr(v, "describe") else ""
)
def test_shape_agrees_with_scipy(d: Distribution, reference: stats.rv_continuous) -> None:
    """pdf, cdf, ppf, mean and standard deviation equal those of scipy.stats."""
    u = np.linspace(0.001, 0.999, 101)
    x = reference.ppf(u)
    np.testing.assert_allclose(d.ppf(u), x, rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(d.cdf(x), u, rtol=1e-9)
    np.testing.assert_allclose(d.pdf(x), reference.pdf(x), rtol=1e-7)
    assert d.mean == pytest.approx(reference.mean(), rel=1e-9, abs=1e-12)
    assert d.sd == pytest.approx(reference.std(), rel=1e-9)


def test_standard_deviations_of_jcgm_101_table_1() -> None:
    """Standard deviations are those of JCGM 101:2008, table 1 (formulas from memory)."""
    a, b, d, beta = -0.3, 1.2, 0.2, 0.35
    assert Rectangular(a, b).sd ** 2 == pytest.approx((b - a) ** 2 / 12)
    assert CurvilinearTrapezoid(a, b, d).sd ** 2 == pytest.approx((b - a) ** 2 / 12 + d**2 / 9)
    assert Trapezoidal(a, b, beta).sd ** 2 == pytest.approx((b - a) ** 2 / 24 * (1 + beta**2))
    assert Triangular(a, b).sd ** 2 == pytest.approx((b - a) ** 2 / 24)
    assert Arcsine(a, b).sd ** 2 == pytest.approx((b - a) ** 2 / 8)
    assert StudentT(0.0, 2.0, 9.0).sd ** 2 == pytest.approx(9.0 / 7.0 * 4.0)
    assert Exponential(1.7).sd == pytest.approx(1.7)
    assert Gamma(5.0, 1.0).sd ** 2 == pytest.approx(5.0)


def test_curvilinear_trapezoid_is_a_rectangle_with_random_mirrored_limits() -> None:
    """The closed form equals the two-step sampling of JCGM 101, 6.4.3.4, limits mirrored."""
    r1, r2 = np.random.default_rng(5).random((2, 400_000))
    low, high, d = -1.0, 1.0, 0.4
    start = (low - d) + 2.0 * d * r1
    drawn = start + (low + high - 2.0 * start) * r2
    assert stats.kstest(drawn, CurvilinearTrapezoid(low, high, d).cdf).pvalue > 1e-3


def test_selected_out_part_has_no_value_in_the_middle() -> None:
    """Density, probability and draws are absent between the inner limits (common practice, no source)."""
    part = SelectedOut(Rectangular(-5.0, 5.0), -1.0, 1.0)
    assert part.cdf(1.0) == part.cdf(-1.0) == pytest.approx(0.5)
    assert np.all(part.pdf(np.linspace(-0.999, 0.999, 99)) == 0.0)
    drawn = part.ppf((np.arange(100_001) + 0.5) / 100_001)
    assert not np.any(np.abs(drawn) < 1.0)
    assert part.sd == pytest.approx(math.sqrt(31.0 / 3.0), rel=1e-12)  # (125 - 1) / (3 * 4)


def test_selected_out_part_with_an_uneven_hole_has_the_moments_of_its_two_sides() -> None:
    """Mean and standard deviation of an uneven hole equal integrals of the density."""
    part = SelectedOut(Normal(0.0, 1.0), -0.7, 0.3)
    share = 1.0 - (stats.norm.cdf(0.3) - stats.norm.cdf(-0.7))
    missing = stats.norm.pdf(-0.7) - stats.norm.pdf(0.3)  # integral of x phi(x) over the hole
    second = (
        1.0
        - (stats.norm.cdf(0.3) - stats.norm.cdf(-0.7))
        - (-0.7 * stats.norm.pdf(-0.7) - 0.3 * stats.norm.pdf(0.3))
    )
    mean = -missing / share
    assert part.mean == pytest.approx(mean, rel=1e-10)
    assert part.sd == pytest.approx(math.sqrt(second / share - mean**2), rel=1e-10)


def test_mixture_inverse_is_exact_across_a_gap_and_at_an_atom() -> None:
    """The inverse of a mixture leaps over a gap and stays on an atom for the whole of its probability."""
    gap = Mixture((Rectangular(0.0, 1.0), Rectangular(4.0, 5.0)), (1.0, 1.0))
    np.testing.assert_allclose(
        gap.ppf(np.array([0.25, 0.499, 0.501, 0.75])), [0.5, 0.998, 4.002, 4.5], rtol=1e-12
    )
    below = 0.75 * stats.norm.cdf(0.3)
    inside = below + np.linspace(1e-6, 0.25 - 1e-6, 50)
    np.testing.assert_array_equal(ATOMS_AND_MORE.ppf(inside), 0.3)


@given(
    first=st.floats(-3.0, 3.0),
    second=st.floats(-3.0, 3.0),
    spread=st.floats(1e-3, 10.0),
    weight=st.floats(0.01, 100.0),
    u=st.floats(1e-12, 1.0 - 1e-12),
)
@settings(max_examples=80, deadline=None)
def test_mixture_inverse_is_right_for_any_pair(
    first: float, second: float, spread: float, weight: float, u: float
) -> None:
    """The inverse of any mixture of two normals returns a value whose cumulative probability is u."""
    mixture = Mixture((Normal(first, 1.0), Normal(second, spread)), (1.0, weight))
    assert float(mixture.cdf(mixture.ppf(u))) == pytest.approx(u, rel=1e-9, abs=1e-14)


@given(
    low=st.floats(-5.0, 1.0),
    width=st.floats(0.5, 8.0),
    u=st.floats(2.0**-54, 1.0 - 2.0**-53),
)
@settings(max_examples=80, deadline=None)
def test_truncation_keeps_every_draw_within_its_limits(low: float, width: float, u: float) -> None:
    """No probability, however near 0 or 1, gives a value beyond the limits of a truncation."""
    value = float(Truncated(Normal(0.0, 1.0), low, low + width).ppf(u))
    assert low <= value <= low + width


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=30), st.floats(1e-9, 1.0 - 1e-9))
@settings(max_examples=80, deadline=None)
def test_empirical_inverse_only_gives_observed_values(values: list[float], u: float) -> None:
    """Every draw is one of the observed values, and the smallest whose share reaches u."""
    found = float(Empirical(tuple(values)).ppf(u))
    assert found in values
    ordered = np.sort(values)
    assert np.mean(ordered < found) <= u + 1e-12


@pytest.mark.parametrize("count", [2, 3, 4, 12])
def test_sum_of_rectangular_draws_follows_irwin_hall(count: int) -> None:
    """The sum of R(0, 1) draws has the Irwin-Hall cdf (Johnson, Kotz and Balakrishnan, 1995, 26.9)."""
    drawn = Rectangular(0.0, 1.0).ppf(np.random.default_rng(11).random((count, 200_000))).sum(axis=0)

    def cdf(x: float) -> float:
        terms = ((-1) ** k * math.comb(count, k) * (x - k) ** count for k in range(math.floor(x) + 1))
        return math.fsum(terms) / math.factorial(count)

    for x in np.linspace(0.3 * count, 0.7 * count, 5):
        exact = cdf(float(x))
        assert np.mean(drawn <= x) == pytest.approx(exact, abs=4.0 * math.sqrt(exact * (1 - exact) / 200_000))


@pytest.mark.parametrize("d", [*STEPPED, ATOMS_AND_MORE], ids=label)
def test_density_is_refused_where_single_values_have_probability(d: Distribution) -> None:
    """pdf raises instead of giving a number that is not a density."""
    with pytest.raises(NoDensity, match="no density"):
        Mixture((d, Normal(0.0, 1.0)), (1.0, 1.0)).pdf(0.0)
    with pytest.raises(NoDensity, match="no density"):
        d.pdf(0.0)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: Normal(0.0, 0.0), "sd must be finite and above 0 .got 0.0"),
        (lambda: Normal(math.nan, 1.0), "mean must be a finite number"),
        (lambda: Rectangular(1.0, 1.0), "high must be above low = 1.0"),
        (lambda: Triangular(0.0, 1.0, 2.0), "mode must be within"),
        (lambda: Trapezoidal(0.0, 1.0, 1.5), "beta must be within"),
        (lambda: CurvilinearTrapezoid(0.0, 1.0, 0.5), "inexactness must be below half"),
        (lambda: StudentT(0.0, 1.0, 2.0), "dof must be above 2"),
        (lambda: Gamma(-1.0, 1.0), "shape must be finite and above 0"),
        (lambda: Weibull(1.0, math.inf), "scale must be finite and above 0"),
        (lambda: Discrete((1.0,), (1.0, 2.0)), "weights must be"),
        (lambda: Empirical(()), "values must be"),
        (lambda: Mixture((), ()), "components must be"),
        (lambda: Shifted(Normal(0.0, 1.0), 0.0, -1.0), "scale must be finite and above 0"),
        (lambda: Truncated(Normal(0.0, 1.0), 50.0, 60.0), "probability between low and high"),
        (lambda: Truncated(Fixed(0.0), -1.0, 1.0), "base must be continuous"),
        (lambda: SelectedOut(Rectangular(-1.0, 1.0), -1.0, 1.0), "probability outside"),
    ],
)
def test_parameters_that_cannot_be_are_named(make: type, words: str) -> None:
    """The error names the parameter, its value and the reason."""
    with pytest.raises(InvalidParameter, match=words):
        make()


def test_description_names_shape_and_moments() -> None:
    """The short text gives shape, mean and standard deviation."""
    assert Normal(0.0, 0.01).describe() == "normal, mean 0, sd 0.01"
    assert Rectangular(-1.0, 1.0).describe() == "rectangular, -1 to 1, mean 0, sd 0.5774"


@pytest.mark.parametrize("d", CONTINUOUS + STEPPED + [ATOMS_AND_MORE], ids=label)
def test_functions_keep_the_shape_of_their_argument(d: Distribution) -> None:
    """A number gives a number and a (2, 3) array a (2, 3) array, with the same values."""
    u = np.array([[0.1, 0.5, 0.9], [0.2, 0.3, 0.7]])
    assert np.shape(d.ppf(0.3)) == np.shape(d.cdf(0.3)) == ()
    assert d.ppf(u).shape == d.cdf(u).shape == (2, 3)
    assert float(d.ppf(0.3)) == float(d.ppf(u)[1, 1])
    assert hash(d) == hash(d)
