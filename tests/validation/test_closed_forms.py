"""Exact yields and lower bounds against an independent computation by quadrature, and equations against tables."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from margin.validation import closed_forms as exact
from margin.validation import handbook
from margin.validation.closed_forms import Exact
from margin.validation.quadrature import normal_nodes, quantile_of_hump, within

Array = NDArray[np.float64]
S = 0.01

INDEPENDENT = [
    (lambda: exact.shared_gain(0.0196, S, 0.3 * S), 0.9395284248897637, 0.909552671514334),
    (lambda: exact.shared_gain(0.0258, S, S), 0.9318986326887335, 0.7323801489185032),
    (lambda: exact.shared_gain(0.0329, S, 0.03 * S), 0.998992845499834, 0.9989778306875277),
    (lambda: exact.shared_gain(0.0258, S, 0.3 * S, S), 0.9346036976621518, 0.8613576275574679),
    (lambda: exact.few_units(0.025, S, 5), 0.9154167947589043, 0.6524641462546501),
    (lambda: exact.few_units(0.025, S, 6), 0.9314826009374126, 0.7235739751260704),
    (lambda: exact.few_units(0.025, S, 30), 0.9798769270147918, 0.9448552310654773),
    (lambda: exact.few_units(0.025, S, 100), 0.9854679726439948, 0.97173025229822),
    (lambda: exact.shared_gain(0.0258, S, math.hypot(0.3, 0.5) * S), 0.9741714895154985, 0.9245644457894372),
    (lambda: exact.lots(0.0258, S, S), 0.9318986326887335, 0.9318986326887335),
    (lambda: exact.lots(0.0258, S, S, skewed=True), 0.9399358016685662, 0.9399358016685662),
    (lambda: exact.lots_and_gain(0.0258, S, 0.5 * S, 0.3 * S), 0.9741714895154985, 0.9602998120125434),
    (
        lambda: exact.lots_and_gain(0.0258, S, 0.5 * S, 0.3 * S, skewed=True),
        0.9724721196549948,
        0.9595022895003095,
    ),
    (lambda: exact.jump(0.0196, S, 0.03, 0.04), 0.91797082523002, 0.950004209703559),
    (lambda: exact.jump(0.0196, S, 0.03, 0.06), 0.9019541329932503, 0.14916959786508321),
]
"""How the module finds it, and yield and lower bound by an independent computation by quadrature."""

CALIBRATED = {
    1: (0.979078664662206, 0.9254100723823524),
    2: (0.963186548419384, 0.8722187078534821),
    4: (0.9388011809698742, 0.7970514318419223),
}
"""One-point calibration of the additive model e = g + r_c + r_j with T = 4 r and g = r, by placements: likewise."""


@pytest.mark.parametrize(("find", "share", "bound"), INDEPENDENT)
def test_exact_values_agree_with_an_independent_quadrature(
    find: Callable[[], Exact], share: float, bound: float
) -> None:
    """Yield and lower bound agree to ten digits."""
    found = find()
    assert found.share == pytest.approx(share, abs=1e-10)
    assert found.bound == pytest.approx(bound, abs=1e-10)


@pytest.mark.parametrize("placements", CALIBRATED)
def test_calibration_of_small_errors_is_additive(placements: int) -> None:
    """With errors a million times smaller, whose products vanish, the calibrated case has the additive model's values;
    as large as they are, products move both by less than 5e-4."""
    share, bound = CALIBRATED[placements]
    tiny = exact.one_point_calibration(0.02e-6, 0.005e-6, 0.005e-6, placements)
    assert (tiny.share, tiny.bound) == pytest.approx((share, bound), abs=1e-8)
    full = exact.one_point_calibration(0.02, 0.005, 0.005, placements)
    assert (full.share, full.bound) == pytest.approx((share, bound), abs=1e-3)
    assert full.bound != pytest.approx(bound, abs=1e-6)


def test_gain_and_few_units_meet_their_parts() -> None:
    """A gain error that vanishes leaves the values of few units; spread from a million units those of the gain."""
    few, both = exact.few_units(0.025, S, 6), exact.few_units(0.025, S, 6, 1e-9)
    assert (both.share, both.bound) == pytest.approx((few.share, few.bound), abs=1e-7)
    one, many = exact.shared_gain(0.025, S, 0.3 * S), exact.few_units(0.025, S, 1_000_000, 0.3 * S)
    assert (many.share, many.bound) == pytest.approx((one.share, one.bound), abs=1e-4)


def test_gain_and_few_units_agree_with_draws() -> None:
    """The lower bound under a gain and six units is the 5 % point of a million drawn yields, within four standard
    errors of a quantile (0.0015 here)."""
    draws = np.random.default_rng(7)
    s = S * np.sqrt(5.0 / draws.chisquare(5.0, 1_000_000))
    centre = np.hypot(0.3 * S, s / math.sqrt(6.0)) * draws.standard_normal(s.size)
    shares = stats.norm.cdf((0.025 - centre) / s) - stats.norm.cdf((-0.025 - centre) / s)
    found = exact.few_units(0.025, S, 6, 0.3 * S)
    assert found.share == pytest.approx(shares.mean(), abs=6e-4)
    assert found.bound == pytest.approx(np.quantile(shares, 0.05), abs=1.5e-3)


def test_quantile_of_a_hump_off_its_centre() -> None:
    """Share exp(-(z - 1)^2) of z ~ N(0, 1): its 5 % point by the noncentral chi-squared distribution of (z - 1)^2."""
    found = quantile_of_hump(lambda z: math.exp(-((z - 1.0) ** 2)), 0.05)
    assert found == pytest.approx(math.exp(-stats.ncx2.ppf(0.95, 1, 1.0)), rel=1e-9)


def test_share_within_keeps_its_tails() -> None:
    """Far from the limit the share keeps its relative precision: scipy's survival function at 20 sigma."""
    assert float(within(-0.22, S, 0.02)) == pytest.approx(
        stats.norm.sf(20.0) - stats.norm.sf(24.0), rel=1e-12
    )
    z, weight = normal_nodes()
    assert float(weight @ z**4) == pytest.approx(3.0, rel=1e-12)


def test_sums_of_uniforms() -> None:
    """Irwin-Hall: of four uniforms 95 % lie within 2 sqrt(3) (2 - 0.6^(1/4)) of the mean (JCGM 101:2008, 9.2.3); of two
    equal ones a triangle; of unequal ones an independent integral over the wide one."""
    root = math.sqrt(3.0)
    assert handbook.share_of_uniform_sum(2.0 * root * (2.0 - 0.6**0.25), [root] * 4) == pytest.approx(0.95)
    assert handbook.share_of_uniform_sum(1.0, [1.0, 1.0]) == pytest.approx(0.75)
    x = np.linspace(-5.0, 5.0, 200_001)
    triangle = stats.triang(0.5, -2.0, 4.0)
    by_parts = np.mean(triangle.cdf(3.0 - x) - triangle.cdf(-3.0 - x))
    assert handbook.share_of_uniform_sum(3.0, [1.0, 1.0, 5.0]) == pytest.approx(by_parts, abs=1e-5)


def test_handbook_equations() -> None:
    """NIST e-Handbook 7.2.4.1 (from memory): 4 of 20 at 90 % gives 0.071354 to 0.401029; Wilks' 59 and 93; a quarter
    bridge is off by about x / 2; 1 pF at 300 K has 64.4 uV (textbook value, from memory); Ishigami's indices as
    published by Saltelli et al., 2008 (from memory)."""
    assert handbook.binomial_interval(4, 20, 0.90) == pytest.approx((0.071354, 0.401029), abs=2e-6)
    assert handbook.sample_without_failure(0.95, 0.95) == 59
    assert handbook.sample_between_extremes(0.95, 0.95) == 93
    assert handbook.quarter_bridge(2e-3) == pytest.approx(-1e-3, rel=2e-3)
    assert handbook.noise_on_capacitor(300.0, 1e-12) == pytest.approx(64.4e-6, rel=1e-3)
    first, total = handbook.ishigami(7.0, 0.1)
    assert first == pytest.approx([0.3139, 0.4424, 0.0], abs=1e-4)
    assert total == pytest.approx([0.5576, 0.4424, 0.2437], abs=1e-4)
    assert handbook.conformance_probability(0.0, 1.0, -1.959964, 1.959964) == pytest.approx(0.95)


def test_definitions_of_linearity() -> None:
    """The published factors of a parabola follow from the best line through zero, found here by brute force."""
    x = np.linspace(0.0, 1.0, 2001)
    y = x + 0.04 * x * (1.0 - x)
    best = min(float(np.abs(y - slope * x).max()) for slope in np.linspace(1.0, 1.04, 4001))
    assert handbook.linearity_of_parabola()["zero-based minimax"] == pytest.approx(best / 0.01, rel=1e-3)
