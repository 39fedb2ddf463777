"""Distribution of a multiple of a variable: quantiles against those of the variable itself."""

from __future__ import annotations

import numpy as np
import pytest

import distributions as d

SHAPES = [
    d.Normal(0.1, 0.3), d.Rectangular(-1.0, 2.0), d.Triangular(-1.0, 2.0, 0.5), d.Triangular(-1.0, 1.0),
    d.Trapezoidal(-1.0, 2.0, 0.3), d.CurvilinearTrapezoid(-1.0, 1.0, 0.2), d.Arcsine(-1.0, 2.0),
    d.StudentT(0.2, 0.5, 7.0), d.Beta(2.0, 3.0, -1.0, 1.5), d.Fixed(0.4), d.Empirical((-1.0, 0.5, 2.0)),
    d.Truncated(d.Normal(0.0, 1.0), -1.0, 2.0), d.SelectedOut(d.Rectangular(-2.0, 2.0), -1.0, 1.0),
    d.Mixture((d.Normal(-1.0, 0.1), d.Normal(1.0, 0.2)), (0.3, 0.7)), d.Shifted(d.Normal(0.0, 1.0), 0.5, 2.0),
]  # fmt: skip
ONE_SIDED = [
    d.HalfNormal(0.3), d.Rayleigh(0.3), d.Weibull(1.5, 0.4), d.Gamma(2.0, 0.3), d.Exponential(0.3),
    d.Lognormal(1.0, 0.2), d.Shifted(d.Lognormal(1.0, 0.2), -1.0, 1.0),
]  # fmt: skip
SHARES = np.array([0.013, 0.21, 0.49, 0.77, 0.98])


@pytest.mark.parametrize("shape", [*SHAPES, *ONE_SIDED], ids=lambda shape: shape.title)
def test_quantiles_are_multiplied(shape: d.Distribution) -> None:
    """Each quantile of 2.5 X is 2.5 times that of X, and the shape stays what it is."""
    found = d.scaled(shape, 2.5)
    assert type(found) is type(shape)
    np.testing.assert_allclose(found.ppf(SHARES), 2.5 * shape.ppf(SHARES), rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("shape", SHAPES, ids=lambda shape: shape.title)
def test_a_negative_factor_mirrors(shape: d.Distribution) -> None:
    """A quantile of -X is that of the rest of X, mirrored."""
    found = d.scaled(shape, -0.5)
    np.testing.assert_allclose(found.ppf(SHARES), -0.5 * shape.ppf(1.0 - SHARES), rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("shape", ONE_SIDED[:-1], ids=lambda shape: shape.title)
def test_one_sided_shapes_have_no_mirror_image(shape: d.Distribution) -> None:
    """A negative multiple of a one-sided shape is refused, as is a multiple of 0."""
    with pytest.raises(d.InvalidParameter, match="above 0"):
        d.scaled(shape, -1.0)
    with pytest.raises(d.InvalidParameter, match="other than 0"):
        d.scaled(shape, 0.0)
