"""Risks of an acceptance test in closed form, against worked examples and two other ways to integrate."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from margin import errors
from margin.design.acceptance import risks


def by_bivariate_normal(
    sd: float, u: float, tolerance: tuple[float, float], acceptance: tuple[float, float], bias: float = 0.0
) -> tuple[float, float]:
    """Consumer's and producer's risk from the distribution function of (true, measured), jointly normal."""
    covariance = [[sd**2, sd**2], [sd**2, sd**2 + u**2]]
    joint = stats.multivariate_normal([0.0, bias], covariance, abseps=1e-12, releps=1e-12)
    low, high = tolerance
    corners = [joint.cdf([x, y]) for x, y in itertools.product((low, high), acceptance)]
    good = float(corners[3] - corners[2] - corners[1] + corners[0])
    accepted = stats.norm(bias, math.hypot(sd, u))
    conforming = stats.norm.cdf(tolerance[1] / sd) - stats.norm.cdf(tolerance[0] / sd)
    return float(accepted.cdf(acceptance[1]) - accepted.cdf(acceptance[0]) - good), float(conforming - good)


def by_quadrature(sd: float, u: float, limit: float, accept: float) -> tuple[float, float]:
    """The same for symmetric intervals, by one integral over the true value written out here."""

    def weight(x: float) -> float:
        chance = stats.norm.cdf((accept - x) / u) - stats.norm.cdf((-accept - x) / u)
        return float(stats.norm.pdf(x, 0.0, sd) * chance)

    bad = (
        2.0
        * integrate.quad(weight, limit, 12.0 * sd + limit, epsabs=1e-14, points=[accept, accept + 4 * u])[0]
    )
    good = integrate.quad(weight, -limit, limit, epsabs=1e-14, points=[-accept, accept])[0]
    return bad, float(2.0 * stats.norm.cdf(limit / sd) - 1.0 - good)


@pytest.mark.parametrize(
    ("estimate", "u", "lower", "upper", "expected", "digits"),
    [
        (-5.47, 0.05, -math.inf, -5.40, 0.92, 2),  # 7.3, breakdown voltage of a diode, V
        (509.7, 8.6, 490.0, math.inf, 0.99, 2),  # 7.3, burst pressure of a container, kPa
        (13.6, 1.8, 12.5, 16.3, 0.6626, 4),  # 7.4, viscosity of an oil, mm2/s (0.66 in the text)
    ],
)
def test_conformance_probabilities_of_the_standard(
    estimate: float, u: float, lower: float, upper: float, expected: float, digits: int
) -> None:
    """Worked examples of JCGM 106:2012, clause 7, data and results from memory."""
    assert round(risks.conformance_probability(estimate, u, lower, upper), digits) == expected


def test_guard_band_of_the_speed_trap() -> None:
    """JCGM 106:2012, 8.3.3, from memory: 100 km/h, 2 % standard uncertainty, 99.9 %: fined from 107 km/h on."""
    z = 2.0 * risks.guard_band_multiplier(1e-3)
    assert round(z, 2) == 3.09
    limit = 100.0 / (1.0 - 0.02 * z)
    assert math.ceil(limit) == 107
    assert risks.conformance_probability(limit, 0.02 * limit, 100.0) == pytest.approx(0.999, abs=1e-12)


def test_guard_band_of_one_expanded_uncertainty() -> None:
    """With w = U, U = 2 u, an item on the acceptance limit is bad with at most 2.3 % (JCGM 106, 8.3.2, from memory)."""
    low, high = risks.guarded_limits(-10.0, 10.0, risks.guard_band(2.0))
    assert (low, high) == (-8.0, 8.0)
    consumer, producer = risks.specific_risks(high, 1.0, -10.0, 10.0)
    assert consumer == pytest.approx(stats.norm.sf(2.0), rel=1e-12)
    assert producer == pytest.approx(1.0 - consumer, rel=1e-12)


def test_test_uncertainty_ratio_of_four() -> None:
    """4:1 with 95 % in tolerance: false accept 0.858 %, false reject 1.554 % (common example, from memory), and the
    same by two other ways to integrate."""
    sd, u = 1.0 / stats.norm.ppf(0.975), 0.125
    assert risks.uncertainty_ratio(1.0, 2.0 * u) == 4.0
    found = risks.global_risks(sd, u, (-1.0, 1.0), (-1.0, 1.0))
    assert round(100.0 * found.consumer, 3) == 0.858
    assert round(100.0 * found.producer, 3) == 1.554
    assert found.conforming == pytest.approx(0.95, abs=1e-12)
    assert (found.consumer, found.producer) == pytest.approx(by_quadrature(sd, u, 1.0, 1.0), rel=1e-8)
    assert (found.consumer, found.producer) == pytest.approx(
        by_bivariate_normal(sd, u, (-1.0, 1.0), (-1.0, 1.0)), rel=1e-6
    )


@pytest.mark.parametrize("accept", [0.12, 0.2, 0.26])
@pytest.mark.parametrize("bias", [0.0, 0.03])
def test_resistors_of_the_standard(accept: float, bias: float) -> None:
    """JCGM 106:2012, 9.5, data from memory (1500 ohm +/- 0.2 ohm, process 0.12 ohm, measurement 0.04 ohm): simple
    acceptance, guarded and relaxed, agree with the bivariate normal distribution."""
    found = risks.global_risks(0.12, 0.04, (-0.2, 0.2), (-accept, accept), bias=bias)
    other = by_bivariate_normal(0.12, 0.04, (-0.2, 0.2), (-accept, accept), bias)
    assert (found.consumer, found.producer) == pytest.approx(other, abs=1e-7)
    assert round(found.conforming, 2) == 0.90
    assert found.accepted == pytest.approx(found.conforming - found.producer + found.consumer, abs=1e-12)
    assert found.consumer_of_accepted == pytest.approx(found.consumer / found.accepted)
    assert found.producer_of_conforming == pytest.approx(found.producer / found.conforming)


@given(
    st.floats(0.05, 3.0),
    st.floats(0.0, 2.0),
    st.floats(0.05, 2.0),
    st.floats(0.05, 2.0),
    st.floats(-0.5, 0.5),
)
def test_laws_of_global_risks(sd: float, u: float, accept: float, further: float, bias: float) -> None:
    """Accepted good and bad units are all accepted ones; a wider limit ships no less bad and scraps no more good."""
    near, far = (
        risks.global_risks(sd, u, (-1.0, 1.0), (-a, a), bias=bias) for a in (accept, accept + further)
    )
    for found in (near, far):
        assert 0.0 <= found.consumer <= 1.0 - found.conforming + 1e-12
        assert 0.0 <= found.producer <= found.conforming + 1e-12
        assert found.conforming - found.producer + found.consumer == pytest.approx(found.accepted, abs=1e-9)
    assert near.consumer <= far.consumer + 1e-12
    assert far.producer <= near.producer + 1e-12


def test_limits_of_the_integrals() -> None:
    """Without uncertainty nothing is misjudged; tiny uncertainties and tiny risks keep their digits; a test of one side
    alone sees one side."""
    exact = risks.global_risks(0.5, 0.0, (-1.0, 1.0), (-1.0, 1.0))
    assert (exact.consumer, exact.producer) == (0.0, 0.0)
    near = risks.global_risks(0.5, 1e-6, (-1.0, 1.0), (-1.0, 1.0))
    # first order in u: density at both limits times E[(error)+] = u / sqrt(2 pi)
    density = 2.0 * stats.norm.pdf(1.0, 0.0, 0.5)
    assert near.consumer == pytest.approx(density * 1e-6 / math.sqrt(2.0 * math.pi), rel=1e-4)
    rare = risks.global_risks(0.2, 0.05, (-1.0, 1.0), (-0.8, 0.8))
    assert rare.consumer == pytest.approx(by_quadrature(0.2, 0.05, 1.0, 0.8)[0], rel=1e-6)
    assert 0.0 < rare.consumer < 1e-9
    side = risks.global_risks(1.0, 0.3, (-math.inf, 1.0), (-math.inf, 1.0))
    assert (side.consumer, side.producer) == pytest.approx(
        by_bivariate_normal(1.0, 0.3, (-50.0, 1.0), (-50.0, 1.0)), abs=1e-8
    )
    none = risks.GlobalRisks(0.0, 0.0, 0.0, 0.0)
    assert math.isnan(none.consumer_of_accepted) and math.isnan(none.producer_of_conforming)


def test_posterior_is_that_of_the_joint_distribution() -> None:
    """Mean and spread after a measurement are those of a grid of prior times likelihood."""
    mean, sd = risks.posterior(0.3, 0.8, 1.1, 0.4)
    x = np.linspace(-6.0, 7.0, 200_001)
    weight = stats.norm.pdf(x, 0.3, 0.8) * stats.norm.pdf(1.1, x, 0.4)
    weight /= weight.sum()
    assert mean == pytest.approx(float(weight @ x), abs=1e-9)
    assert sd == pytest.approx(math.sqrt(float(weight @ (x - mean) ** 2)), abs=1e-9)


@pytest.mark.parametrize(
    ("ask", "message"),
    [
        (lambda: risks.conformance_probability(1.0, -0.1, 0.0), "uncertainty must be 0 or above"),
        (lambda: risks.conformance_probability(math.nan, 0.1, 0.0), "estimate must be a finite number"),
        (lambda: risks.conformance_probability(1.0, 0.1, 2.0, 1.0), "a lower limit below its upper one"),
        (lambda: risks.guarded_limits(-1.0, 1.0, 1.0), "less than half of the tolerance interval"),
        (lambda: risks.guard_band(1.0, math.inf), "multiplier must be a finite number"),
        (lambda: risks.guard_band_multiplier(0.0), "risk must be a share above 0 and below 1"),
        (lambda: risks.global_risks(0.0, 0.1, (-1.0, 1.0), (-1.0, 1.0)), "sd must be above 0"),
        (lambda: risks.global_risks(1.0, math.nan, (-1.0, 1.0), (-1.0, 1.0)), "uncertainty must be"),
        (lambda: risks.uncertainty_ratio(0.0, 0.1), "permissible must be above 0"),
    ],
)  # fmt: skip
def test_bad_arguments_are_refused(ask: object, message: str) -> None:
    """What is no probability, spread or interval is refused with what it must be."""
    with pytest.raises(errors.InvalidArgument, match=message):
        ask()  # type: ignore[operator]
