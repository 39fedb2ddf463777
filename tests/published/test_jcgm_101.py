"""JCGM 101:2008 (GUM Supplement 1), section 9: the worked examples through streams and shapes.

Inputs and published results from memory of the document. Where a closed form or an exact quadrature exists it
is the target, since the document's Monte Carlo results carry their own sampling noise.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from distributions import (
    Arcsine,
    CurvilinearTrapezoid,
    Distribution,
    GaussianCopula,
    Normal,
    Rectangular,
    Stream,
    StudentT,
    shortest_interval,
    symmetric_interval,
)

DRAWS = 1_000_000
Array = NDArray[np.float64]


def draw(name: str, distribution: Distribution) -> Array:
    return distribution.ppf(Stream(101).uniforms(name, 0, DRAWS))


R = Rectangular(-math.sqrt(3.0), math.sqrt(3.0))
WIDE = Rectangular(-10.0 * math.sqrt(3.0), 10.0 * math.sqrt(3.0))


@pytest.mark.parametrize(
    ("inputs", "u", "end", "within"),
    [
        ([Normal(0.0, 1.0)] * 4, 2.0, 3.919928, 0.01),
        ([R] * 4, 2.0, 2.0 * math.sqrt(3.0) * (2.0 - 0.6**0.25), 0.01),
        ([R, R, R, WIDE], math.sqrt(103.0), 17.0152, 0.05),
    ],
    ids=["9.2.2", "9.2.3", "9.2.4"],
)
def test_additive_model(inputs: list[Distribution], u: float, end: float, within: float) -> None:
    """9.2.2 to 9.2.4: u = 2.0, 2.0, 10.1 and 95 % intervals +-3.92, +-3.88, +-17.0."""
    y = sum(draw(f"X{i}", shape) for i, shape in enumerate(inputs))
    assert np.mean(y) == pytest.approx(0.0, abs=4.5 * u / math.sqrt(DRAWS))
    assert np.std(y) == pytest.approx(u, rel=0.004)
    np.testing.assert_allclose(symmetric_interval(np.asarray(y), 0.95), (-end, end), atol=within)


def test_dominant_rectangular_input_defeats_a_normal_interval() -> None:
    """9.2.4: +-1.96 u = +-19.9 is far from the true +-17.0, and lies outside the test's tolerance."""
    assert abs(1.96 * math.sqrt(103.0) - 17.0152) > 50 * 0.05


def test_mass_calibration() -> None:
    """9.3: estimate 1.234 mg, u = 0.0754 mg (first order 0.0539), 95 % interval [1.084, 1.384] mg."""
    reference = draw("m_Rc", Normal(100_000.0, 0.050))
    addition = draw("dm_Rc", Normal(1.234, 0.020))
    air = draw("air", Rectangular(1.10, 1.30))
    weight = draw("weight", Rectangular(7000.0, 9000.0))
    standard = draw("standard", Rectangular(7950.0, 8050.0))
    dm = (reference + addition) * (1.0 + (air - 1.2) * (1.0 / weight - 1.0 / standard)) - 100_000.0
    assert dm.mean() == pytest.approx(1.2340, abs=4.5 * 0.0755 / 1000)
    assert dm.std() == pytest.approx(0.0754797, rel=0.004)  # closed form from the moments
    np.testing.assert_allclose(symmetric_interval(dm, 0.95), (1.0844, 1.3836), atol=0.0015)
    assert dm.std() > 1.35 * 0.053852  # what a budget of first-order terms says


@pytest.mark.parametrize(
    ("r", "x1", "u", "shortest", "within", "symmetric"),
    [
        (0.0, 0.000, 50.0, (0.0, 149.787), 1.0, (1.2659, 184.444)),
        (0.0, 0.010, 111.803, (0.0, 366.005), 4.0, (8.547, 427.123)),
        (0.0, 0.050, 502.494, (1593.57, 3548.57), 20.0, (1638.48, 3603.36)),
        (0.9, 0.000, 67.268, (0.0, 185.09), 1.0, (0.563, 241.2)),
        (0.9, 0.010, 120.520, (13.07, 397.7), 4.0, (29.05, 478.2)),
        (0.9, 0.050, 504.505, (1620.7, 3551.4), 25.0, (1696.5, 3659.7)),
    ],
)
def test_comparison_loss(
    r: float,
    x1: float,
    u: float,
    shortest: tuple[float, float],
    within: float,
    symmetric: tuple[float, float],
) -> None:
    """9.4: y = x1^2 + 2 u^2, its u, shortest and symmetric 95 % intervals, in units of 1e-6."""
    uniforms = np.array([Stream(101).uniforms(name, 0, DRAWS) for name in ("X1", "X2")])
    tied = GaussianCopula.from_normal_correlation(("X1", "X2"), [[1.0, r], [r, 1.0]]).apply(uniforms)
    loss = 1e6 * (Normal(x1, 0.005).ppf(tied[0]) ** 2 + Normal(0.0, 0.005).ppf(tied[1]) ** 2)
    exact_u = 1e6 * math.sqrt(4 * 0.005**4 + 4 * 0.005**2 * x1**2 + 4 * r**2 * 0.005**4)
    assert exact_u == pytest.approx(u, rel=1e-4)
    assert loss.mean() == pytest.approx(1e6 * (x1**2 + 2 * 0.005**2), abs=4.5 * u / 1000)
    assert loss.std() == pytest.approx(exact_u, rel=0.006)
    np.testing.assert_allclose(shortest_interval(loss, 0.95), shortest, atol=within)
    np.testing.assert_allclose(symmetric_interval(loss, 0.95), symmetric, rtol=0.01, atol=0.1)


def test_gauge_block() -> None:
    """9.5: 838 nm, u = 36 nm (32 nm by first order), shortest 99 % interval [745, 932] nm."""
    standard = draw("L_S", StudentT(50_000_623.0, 25.0, 18.0))
    difference = draw("D", StudentT(215.0, 6.0, 24.0))
    random = draw("d1", StudentT(0.0, 4.0, 5.0))
    systematic = draw("d2", StudentT(0.0, 7.0, 8.0))
    expansion = draw("alpha_S", Rectangular(9.5e-6, 13.5e-6))
    mean_deviation = draw("theta_0", Normal(-0.1, 0.2))
    cyclic = draw("Delta", Arcsine(-0.5, 0.5))
    expansion_difference = draw("d_alpha", CurvilinearTrapezoid(-1.0e-6, 1.0e-6, 0.1e-6))
    temperature_difference = draw("d_theta", CurvilinearTrapezoid(-0.050, 0.050, 0.025))
    thermal = expansion_difference * (mean_deviation + cyclic) + expansion * temperature_difference
    deviation = standard + difference + random + systematic - standard * thermal - 50_000_000.0
    assert deviation.mean() == pytest.approx(838.0, abs=4.5 * 36 / 1000)
    assert deviation.std() == pytest.approx(35.807, abs=0.3)
    np.testing.assert_allclose(symmetric_interval(deviation, 0.99), (744.4, 931.7), atol=1.0)
    np.testing.assert_allclose(symmetric_interval(deviation, 0.95), (767.7, 908.3), atol=0.5)
    # The shortest interval's place is flat: its length is held tighter than its ends.
    low, high = shortest_interval(deviation, 0.99)
    assert high - low == pytest.approx(931.9 - 744.7, abs=1.0)
    np.testing.assert_allclose((low, high), (744.7, 931.9), atol=2.5)
