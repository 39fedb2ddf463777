"""Shapley effects against closed forms and the laws they obey."""

from __future__ import annotations

import numpy as np
import pytest
from analytic_functions import ISHIGAMI_FIRST, ISHIGAMI_TOTAL, g_function, g_shapley, ishigami
from scipy import stats
from scipy.special import ndtri

from distributions import GaussianCopula
from margin.estimates.sensitivity import BadDesign, FailedEvaluations, ShapleyDesign, shapley_effects
from margin.estimates.sensitivity.conditional import redraw

COEFFICIENTS = np.array([1.0, 2.0, 0.5])


def linear(uniforms: np.ndarray) -> np.ndarray:
    return ndtri(uniforms) @ COEFFICIENTS


def pair(rho: float) -> np.ndarray:
    """Correlation of three normals of which the last two depend on each other."""
    correlation = np.eye(3)
    correlation[1, 2] = correlation[2, 1] = rho
    return correlation


def linear_effects(rho: float) -> np.ndarray:
    """Closed form for a linear model of one independent and two correlated normals.

    Owen and Prieur 2017, SIAM/ASA Journal on Uncertainty Quantification 5, 986-1002; Iooss and Prieur 2019,
    International Journal for Uncertainty Quantification 9, 493-514.
    """
    one, two, three = COEFFICIENTS
    variance = one**2 + two**2 + 2.0 * rho * two * three + three**2
    shared = rho * two * three
    second = two**2 * (1.0 - rho**2 / 2.0) + shared + three**2 * rho**2 / 2.0
    third = three**2 * (1.0 - rho**2 / 2.0) + shared + two**2 * rho**2 / 2.0
    return np.array([one**2, second, third]) / variance


@pytest.mark.parametrize("rho", [-0.9, -0.3, 0.0, 0.5, 0.95])
def test_linear_model_with_correlated_normals_meets_the_closed_form(rho: float) -> None:
    """All sets: within 0.005 of Owen and Prieur 2017 for any correlation, and the effects sum to 1."""
    found = shapley_effects(ShapleyDesign(("a", "b", "c"), pair(rho), 8 * 256), linear)
    np.testing.assert_allclose(found.effect.value[:, 0], linear_effects(rho), atol=0.005)
    assert found.effect.value.sum() == pytest.approx(1.0, abs=1e-12)
    np.testing.assert_allclose(found.variance.value[0], COEFFICIENTS @ pair(rho) @ COEFFICIENTS, rtol=0.02)


@pytest.mark.parametrize("rho", [-0.9, 0.5])
def test_random_orders_meet_the_closed_form_too(rho: float) -> None:
    """Random orders: within 0.03 of Owen and Prieur 2017 at half the runs, and the effects sum to 1."""
    design = ShapleyDesign(("a", "b", "c"), pair(rho), 8 * 2048, all_sets=False)
    found = shapley_effects(design, linear)
    assert design.runs == 8 * 2048 * 4
    np.testing.assert_allclose(found.effect.value[:, 0], linear_effects(rho), atol=0.03)
    assert found.effect.value.sum() == pytest.approx(1.0, abs=1e-12)


def test_perfectly_correlated_inputs_share_alike() -> None:
    """Two inputs that are one and the same share their joint contribution equally, though only one has a
    coefficient (Owen and Prieur 2017: a copy gets half)."""
    found = shapley_effects(ShapleyDesign(("a", "b"), np.ones((2, 2)), 256), lambda u: ndtri(u[:, 0]))
    np.testing.assert_allclose(found.effect.value[:, 0], [0.5, 0.5], atol=1e-9)


def test_a_rank_correlation_enters_through_the_copula() -> None:
    """The correlation of the normals of a Gaussian copula is taken as it is, and its ranks are met."""
    copula = GaussianCopula(("b", "c"), np.array([[1.0, 0.6], [0.6, 1.0]]))
    seen: list[np.ndarray] = []

    def keep(uniforms: np.ndarray) -> np.ndarray:
        seen.append(uniforms)
        return uniforms.sum(axis=1)

    shapley_effects(ShapleyDesign(("b", "c"), copula.normal_correlation, 8 * 512), keep)
    # first point of every walk, and the one where both are drawn again
    for points in (seen[0::4], seen[3::4]):
        rank = stats.spearmanr(np.concatenate(points)).statistic
        assert rank == pytest.approx(0.6, abs=0.01)


def test_conditional_draws_have_the_law_of_the_normal() -> None:
    """Drawn again given the others: joint covariance stays, and regression on the others is the exact one."""
    correlation = np.array([[1.0, 0.5, -0.3], [0.5, 1.0, 0.2], [-0.3, 0.2, 1.0]])
    law = redraw(correlation, np.array([True, False, True]))
    cross = correlation[1, [0, 2]]
    np.testing.assert_allclose(law.slope, cross[np.newaxis], atol=1e-12)
    conditional = correlation[np.ix_([0, 2], [0, 2])] - np.outer(cross, cross)
    np.testing.assert_allclose(law.root @ law.root, conditional, atol=1e-12)


def test_independent_inputs_lie_between_first_and_total_order() -> None:
    """Without dependence an effect is the first order plus a part of the interactions (Owen 2014): for
    Ishigami x1 gets first order plus half of the interaction with x3, x3 the other half."""
    names = ("x1", "x2", "x3")
    effect = shapley_effects(ShapleyDesign(names, np.eye(3), 8 * 1024), ishigami).effect.value[:, 0]
    assert np.all(effect >= ISHIGAMI_FIRST - 0.02)
    assert np.all(effect <= ISHIGAMI_TOTAL + 0.02)
    half = 0.243683664062148 / 2.0
    np.testing.assert_allclose(effect, [0.313905191147811 + half, 0.442411144790041, half], atol=0.02)


def test_eight_inputs_take_random_orders_and_meet_the_g_function() -> None:
    """More than six groups use random orders at base (d + 1) runs; G function in closed form within 0.03."""
    design = ShapleyDesign(tuple("abcdefgh"), np.eye(8), 8 * 512)
    found = shapley_effects(design, g_function)
    assert design.runs == 8 * 512 * 9 and "random orders" in found.method
    np.testing.assert_allclose(found.effect.value[:, 0], g_shapley(), atol=0.03)


@pytest.mark.parametrize(("all_sets", "base"), [(True, 256), (False, 512)])
def test_intervals_cover_the_truth_as_often_as_they_say(all_sets: bool, base: int) -> None:
    """95 % intervals hold the closed form in 88 to 99 % of 100 repeats, over the three inputs."""
    truth = linear_effects(0.5)
    held = []
    for seed in range(100):
        design = ShapleyDesign(("a", "b", "c"), pair(0.5), base, seed=seed, all_sets=all_sets, orders=8)
        found = shapley_effects(design, linear).effect
        held.append((found.low[:, 0] <= truth) & (truth <= found.high[:, 0]))
    assert 0.88 <= np.mean(held) <= 0.99


def test_columns_of_a_group_are_drawn_together() -> None:
    """The effect of a group of correlated columns is that of their sum; an independent one keeps its own."""
    found = shapley_effects(ShapleyDesign(("a", "b + c", "b + c"), pair(0.5), 8 * 256), linear)
    share = COEFFICIENTS[0] ** 2 / (COEFFICIENTS @ pair(0.5) @ COEFFICIENTS)
    np.testing.assert_allclose(found.effect.value[:, 0], [share, 1.0 - share], atol=0.005)


def test_several_outputs_constants_and_inert_groups() -> None:
    """Each output has its own effects; a constant one is NaN with a reason; an inert group reads so."""

    def model(uniforms: np.ndarray) -> np.ndarray:
        flat = np.full(len(uniforms), 0.4)
        return np.stack([linear(uniforms), flat, uniforms[:, 0] - uniforms[:, 1]], axis=1)

    found = shapley_effects(ShapleyDesign(("a", "b", "c"), np.eye(3), 256), model, ("sum", "flat", "pair"))
    table = found.to_frame().set_index(["output", "group"])
    assert table.loc["flat", "effect"].isna().all()
    assert "did not vary" in table.loc[("flat", "a"), "reason"]
    assert table.loc[("pair", "c"), "verdict"] == "below resolution"
    assert table.loc[("pair", "a"), "effect"] == pytest.approx(0.5, abs=0.02)
    assert table.loc[("sum", "b"), "verdict"] == "resolved"
    assert table.loc[("sum", "b"), "standard"] == pytest.approx(2.0, rel=0.03)


def test_points_do_not_depend_on_block_size() -> None:
    """Any block size gives the same effects, with all sets and with random orders."""
    for all_sets in (True, False):
        design = ShapleyDesign(("a", "b", "c"), pair(0.5), 512, all_sets=all_sets)
        one = shapley_effects(design, linear).effect.value
        np.testing.assert_allclose(
            shapley_effects(design, linear, block_rows=5).effect.value, one, rtol=1e-12
        )


def test_failed_runs_raise_or_drop_their_base_row() -> None:
    """A failed run is an error with its inputs; 'drop' leaves its base row out and counts it."""

    def failing(uniforms: np.ndarray) -> np.ndarray:
        return np.where(uniforms[:, 0] > 0.99, np.nan, linear(uniforms))

    design = ShapleyDesign(("a", "b", "c"), pair(0.5), 512)
    with pytest.raises(FailedEvaluations) as caught:
        shapley_effects(design, failing)
    assert caught.value.inputs[0] > 0.99
    found = shapley_effects(design, failing, failures="drop")
    assert found.dropped > 0 and found.base == 512 - found.dropped
    assert np.isfinite(found.effect.value).all()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"correlation": np.eye(2)}, "shape"),
        ({"correlation": pair(1.2)}, "positive semi-definite"),
        ({"correlation": np.diag([1.0, 2.0, 1.0])}, "diagonal"),
        ({"correlation": np.triu(np.full((3, 3), 0.5)) + 0.5 * np.eye(3)}, "symmetric"),
        ({"scramblings": 1}, "plan eight"),
        ({"all_sets": False, "orders": 3}, "even number"),
        ({"groups": ()}, "name the group"),
    ],
)
def test_an_impossible_plan_is_refused(change: dict[str, object], message: str) -> None:
    """Each refusal names the value and how to mend it."""
    plan: dict[str, object] = {"groups": ("a", "b", "c"), "correlation": np.eye(3), "base": 256} | change
    with pytest.raises((BadDesign, ValueError), match=message):
        ShapleyDesign(**plan)  # type: ignore[arg-type]
