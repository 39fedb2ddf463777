"""Factors measured together on few units: means, spreads and correlation drawn from their sampling distribution."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from pad_study import NONE, TWO_POINT, factor_of, pad_case, source_of
from scipy import stats

from distributions import Stream
from margin.backends.run import run
from margin.case import Case, CaseError
from margin.propagation.knowledge import drawn_root
from margin.propagation.readings import use_event
from margin.propagation.variants import Variant

Array = NDArray[np.float64]
NAMES = ("sensor.sensitivity per unit", "sensor.exponent per unit")
RANK, UNITS = 0.5, 6
PEARSON = 2.0 * np.sin(np.pi * RANK / 6.0)
SDS = np.array([0.06, 0.02])
SHAPE = np.outer(SDS, SDS) * np.array([[1.0, PEARSON], [PEARSON, 1.0]])
"""Covariance of (relative sensitivity, exponent) as stated."""


def tied_case(*, measured: bool = True, tie: bool = True, **study: Any) -> Case:
    """A pad whose sensitivity and exponent were measured on six units, tied to one another or not."""
    entry: dict[str, Any] = {"between": ["sensor.sensitivity", "sensor.exponent"], "rank_correlation": RANK}
    if measured:
        entry["from"] = f"{UNITS} units"
    return pad_case(
        NONE,
        TWO_POINT,
        sensor={
            "sensitivity": f"4 uS +/- 12 % (2 sigma, from {UNITS} units)",
            "exponent": f"0.9 +/- 0.04 (2 sigma, from {UNITS} units)",
        },
        **({"dependence": [entry]} if tie else {}),
        study={"units": 400, "outer": 8, **study},
    )


def deviations(case: Case, scales: dict[str, float] | None = None) -> Array:
    """Deviations of both factors, (unit, 2)."""
    _, source, count = source_of(case)
    source = source.varied(Variant(scales or {}))
    event = use_event(case, None)
    found = [np.asarray(source.deviation(factor_of(case, name), event)) for name in NAMES]
    return np.stack([np.broadcast_to(each, (count, 1, 1, 1, 1)).ravel() for each in found], axis=1)


def knowledge(case: Case) -> dict[str, float]:
    """Scales that freeze what is not known of both factors."""
    return {factor_of(case, name).knowledge_name: 0.0 for name in NAMES}


def covariances(stated: Array, units: int, draws: int, seed: int = 1) -> Array:
    """Drawn covariances, (draws, p, p)."""
    size = len(stated)
    stream = Stream(seed)
    own = [stream.uniforms(f"own {i}", 0, draws) for i in range(size)]
    ties = [[stream.uniforms(f"tie {i} {j}", 0, draws) for j in range(i)] for i in range(size)]
    rows = drawn_root(np.linalg.cholesky(stated), units, own, ties)
    root = np.zeros((draws, size, size))
    for i, row in enumerate(rows):
        for j, entry in enumerate(row):
            root[:, i, j] = entry
    return np.asarray(root @ root.transpose(0, 2, 1))


@pytest.fixture(scope="module")
def further_units() -> Array:
    """One further unit in each of 20 000 draws of what six units leave open, (draw, 2)."""
    return deviations(tied_case(units=20_000, outer=20_000))


def test_one_further_unit_follows_a_multivariate_t(further_units: Array) -> None:
    """Its quadratic form over p is F(p, n - 1) distributed, its scale being (1 + 1/n) S.

    Gelman et al., Bayesian Data Analysis, 3.6; a multivariate t of nu degrees of freedom has the form
    p F(p, nu) (Kotz and Nadarajah, Multivariate t Distributions and Their Applications, 2004, 1.7).
    """
    scale = (1.0 + 1.0 / UNITS) * SHAPE
    form = np.einsum("ni,ij,nj->n", further_units, np.linalg.inv(scale), further_units)
    assert stats.kstest(form / 2.0, stats.f(2, UNITS - 1).cdf).pvalue > 0.01
    assert stats.kstest(form, stats.chi2(2).cdf).pvalue < 1e-6


@pytest.mark.parametrize("direction", [(1.0, 0.0), (0.0, 1.0), (1.0, -2.0), (0.3, 1.0)])
def test_every_combination_follows_student_t(further_units: Array, direction: tuple[float, float]) -> None:
    """Each factor, and any sum of both, is t with n - 1 degrees of freedom, widened by sqrt(1 + 1/n)."""
    along = np.array(direction)
    scale = np.sqrt((1.0 + 1.0 / UNITS) * (along @ SHAPE @ along))
    assert stats.kstest(further_units @ along / scale, stats.t(UNITS - 1).cdf).pvalue > 0.01


def test_the_first_factor_is_drawn_as_if_it_stood_alone() -> None:
    """Tying another factor to it changes its draws by rounding only, and does change the other's."""
    alone, tied = deviations(tied_case(tie=False)), deviations(tied_case())
    np.testing.assert_allclose(tied[:, 0], alone[:, 0], rtol=1e-12)
    assert np.abs(tied[:, 1] - alone[:, 1]).max() > 0.01


@pytest.mark.parametrize("units", [4, 6, 30])
def test_every_variance_keeps_its_degrees_of_freedom(units: int) -> None:
    """Of three factors measured together each variance is (n - 1) S^2 / chi2(n - 1), as it is alone."""
    stated = np.array([[1.0, 0.5, -0.3], [0.5, 2.0, 0.1], [-0.3, 0.1, 0.5]])
    drawn = covariances(stated, units, 20_000)
    for i in range(3):
        chi2 = (units - 1) * stated[i, i] / drawn[:, i, i]
        assert stats.kstest(chi2, stats.chi2(units - 1).cdf).pvalue > 0.01


def test_the_covariance_is_an_inverse_wishart() -> None:
    """Mean and spread of its entries are those of scipy's with n + p - 2 degrees of freedom about (n - 1) S."""
    stated = np.array([[1.0, 0.5, -0.3], [0.5, 2.0, 0.1], [-0.3, 0.1, 0.5]])
    units = 20
    ours = covariances(stated, units, 40_000)
    law = stats.invwishart(units + 1, (units - 1) * stated)
    np.testing.assert_allclose(ours.mean(axis=0), law.mean(), atol=0.01)
    np.testing.assert_allclose(ours.var(axis=0), law.var(), rtol=0.08, atol=0.002)


@pytest.mark.parametrize(("units", "tolerance"), [(6, 0.15), (10, 0.09), (20, 0.05), (50, 0.03)])
@pytest.mark.parametrize("rho", [0.0, 0.3, 0.6])
def test_interval_of_the_correlation_agrees_with_fishers_z(units: int, tolerance: float, rho: float) -> None:
    """In atanh(r) it has the half-width 1.96 / sqrt(n - 3) within 15 % for six units, 5 % for twenty.

    Fisher 1921; the interval of the drawn correlations is the shorter one.
    """
    drawn = covariances(np.array([[1.0, rho], [rho, 1.0]]), units, 100_000)
    z = np.arctanh(drawn[:, 0, 1] / np.sqrt(drawn[:, 0, 0] * drawn[:, 1, 1]))
    low, high = np.quantile(z, [0.025, 0.975])
    half = stats.norm.ppf(0.975) / np.sqrt(units - 3)
    assert (high - low) / 2.0 == pytest.approx(half, rel=tolerance)
    assert np.median(z) == pytest.approx(np.arctanh(rho), abs=0.2 * half)


def test_units_of_one_outer_draw_share_the_drawn_covariance() -> None:
    """Within an outer draw the correlation is one number; between outer draws it differs as for six units."""
    case = tied_case(units=40_000, outer=40)
    by_draw = deviations(case).reshape(40, 1000, 2)
    found = np.array([np.corrcoef(each.T)[0, 1] for each in by_draw])
    assert found.std() > 0.15
    fixed = deviations(tied_case(measured=False, units=40_000, outer=40)).reshape(40, 1000, 2)
    assert np.array([np.corrcoef(each.T)[0, 1] for each in fixed]).std() < 0.05


def test_frozen_knowledge_leaves_mean_spread_and_correlation_as_stated() -> None:
    """With what is not known frozen the draws are those of the plain dependence."""
    case, plain = tied_case(), tied_case(measured=False)
    np.testing.assert_allclose(
        deviations(case, knowledge(case)), deviations(plain, knowledge(plain)), rtol=1e-9, atol=1e-15
    )


def test_half_of_the_knowledge_lies_between() -> None:
    """Halving what is not known of the first factor halves the way of its row from stated to drawn."""
    case = tied_case(units=4000, outer=4000)
    name = next(iter(knowledge(case)))
    whole, half, none = (deviations(case, {name: s})[:, 0] for s in (1.0, 0.5, 0.0))
    assert none.std() < half.std() < whole.std()


def test_freezing_one_factor_leaves_the_other() -> None:
    """A frozen factor does not deviate, and the other keeps its draws to the bit."""
    case = tied_case()
    whole = deviations(case)
    for frozen, other in ((0, 1), (1, 0)):
        changed = deviations(case, {NAMES[frozen]: 0.0})
        assert not changed[:, frozen].any()
        assert np.array_equal(changed[:, other], whole[:, other])


def test_same_bits_for_any_block() -> None:
    """Blocks of 7, 64 or all units, on one thread or three, give the same counts to the bit."""
    case = tied_case(units=1010, outer=5)
    first = run(case, workers=1, block=1010)
    for block, workers in ((7, 1), (64, 3)):
        other = run(case, workers=workers, block=block)
        for name, samples in first.samples.items():
            assert np.array_equal(samples, other.samples[name])
            for field in ("errors", "low", "high", "within"):
                one, two = getattr(first.tallies[name], field), getattr(other.tallies[name], field)
                assert np.array_equal(one, two)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"from": 6}, r'\[dependence 1\] from = 6: is not a number of units; write such as "6 units"'),
        ({"from": "six units"}, 'from = "six units": is not a number of units'),
        ({"from": "2 units"}, 'cannot be known from "2 units"; it takes 3 units or more'),
        (
            {"from": "8 units"},
            r'the spread of sensor.sensitivity per "unit" is not from 8 units; write it such',
        ),
    ],
)
def test_bad_samples_are_refused(change: dict[str, Any], message: str) -> None:
    """A sample that cannot be, or that is not that of the spreads, is a fault that names the mend."""
    entry = {"between": ["sensor.sensitivity", "sensor.exponent"], "rank_correlation": RANK, **change}
    sensor = {
        "sensitivity": "4 uS +/- 12 % (2 sigma, from 6 units)",
        "exponent": "0.9 +/- 0.04 (2 sigma, from 6 units)",
    }
    with pytest.raises(CaseError, match=message):
        pad_case(sensor=sensor, dependence=[entry])


def test_one_set_rests_on_one_sample() -> None:
    """Ties that share a quantity say the same of their sample; three quantities need four units."""
    sensor = {
        "sensitivity": "4 uS +/- 12 % (2 sigma, from 3 units)",
        "exponent": "0.9 +/- 0.04 (2 sigma, from 3 units)",
        "hysteresis": "2 % +/- 1 % (2 sigma, from 3 units)",
    }
    first = {"between": ["sensor.sensitivity", "sensor.exponent"], "rank_correlation": 0.2, "from": "3 units"}
    second = {"between": ["sensor.exponent", "sensor.hysteresis"], "rank_correlation": 0.2}
    with pytest.raises(CaseError, match='do not all rest on the same units; write the same "from" in each'):
        pad_case(sensor=sensor, dependence=[first, second])
    with pytest.raises(CaseError, match="cannot be known from 3 units; it takes 4 or more"):
        pad_case(sensor=sensor, dependence=[first, {**second, "from": "3 units"}])
