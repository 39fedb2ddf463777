"""Indices against closed forms, another library, and the laws they obey."""

from __future__ import annotations

import numpy as np
import pytest
from analytic_functions import (
    ISHIGAMI_FIRST,
    ISHIGAMI_TOTAL,
    ISHIGAMI_VARIANCE,
    g_first_and_total,
    g_function,
    ishigami,
    linear,
    linear_shares,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from SALib.analyze import sobol as salib_analyze
from SALib.sample import sobol as salib_sample

from margin.estimates.sensitivity import SobolDesign, SobolIndices, collect, run, sobol_indices

X = ("x1", "x2", "x3")


def both(uniforms: np.ndarray) -> np.ndarray:
    """Ishigami and a function of the first two inputs alone."""
    return np.stack([ishigami(uniforms), uniforms[:, 0] + 2.0 * uniforms[:, 1]], axis=1)


def study(base: int = 1024, **plan: object) -> SobolIndices:
    return sobol_indices(run(SobolDesign(X, base, **plan), both, ("ishigami", "line")))  # type: ignore[arg-type]


@pytest.mark.parametrize("estimator", ["Saltelli 2010", "Janon 2014"])
def test_g_function_is_met(estimator: str) -> None:
    """Sobol indices of the G function with eight inputs (Saltelli and Sobol 1995) within 0.02."""
    design = SobolDesign(tuple(f"x{i}" for i in range(8)), base=8 * 1024)
    found = sobol_indices(run(design, g_function), first=estimator)
    first, total = g_first_and_total()
    np.testing.assert_allclose(found.first.value[:, 0], first, atol=0.02)
    np.testing.assert_allclose(found.total.value[:, 0], total, atol=0.02)
    assert found.estimators[0] == estimator


@pytest.mark.parametrize("groups", [None, ["a", "b", "b"]])
@pytest.mark.parametrize("second_order", [False, True])
def test_agreement_with_a_general_library(groups: list[str] | None, second_order: bool) -> None:
    """On the points of SALib's sampler, first, total and second order equal SALib's analysis to 1e-10."""
    problem: dict[str, object] = {"num_vars": 3, "names": list(X), "bounds": [[0.0, 1.0]] * 3}
    if groups:
        problem["groups"] = groups
    points = salib_sample.sample(problem, 256, calc_second_order=second_order, seed=4)
    expected = salib_analyze.analyze(problem, ishigami(points), calc_second_order=second_order, seed=4)
    design = SobolDesign(tuple(groups or X), 256, second_order=second_order, scramblings=1)
    # SALib keeps base rows outermost, this plan keeps matrices outermost
    by_matrix = points.reshape(256, len(design.matrices), 3).swapaxes(0, 1).reshape(-1, 3)
    found = sobol_indices(collect(design, ishigami(by_matrix)), interval="bootstrap")
    np.testing.assert_allclose(found.first.value[:, 0], expected["S1"], atol=1e-10)
    np.testing.assert_allclose(found.total.value[:, 0], expected["ST"], atol=1e-10)
    if found.second is not None:
        np.testing.assert_allclose(found.second.value[:, :, 0], expected["S2"], atol=1e-10)


def test_second_order_of_ishigami() -> None:
    """The interaction of x1 and x3 holds 0.2437 of the variance and no other pair any (closed form)."""
    table = study(8 * 1024, second_order=True).second_frame()
    table = table[table["output"] == "ishigami"].set_index(["group", "other"])
    assert table.loc[("x1", "x3"), "second"] == pytest.approx(0.243683664062148, abs=0.02)
    assert table.loc[("x1", "x3"), "verdict"] == "resolved"
    assert table.loc[("x1", "x2"), "verdict"] == table.loc[("x2", "x3"), "verdict"] == "below resolution"


def test_an_output_gives_the_same_indices_alone_and_among_others() -> None:
    """Outputs do not touch each other: any one alone gives what it gives in company."""
    together = study()
    alone = sobol_indices(run(SobolDesign(X, 1024), lambda u: both(u)[:, 1]))
    np.testing.assert_allclose(alone.first.value[:, 0], together.first.value[:, 1], rtol=1e-12, atol=1e-15)
    np.testing.assert_allclose(alone.total.high[:, 0], together.total.high[:, 1], rtol=1e-12, atol=1e-15)


def test_analysis_again_gives_the_same_numbers() -> None:
    """Estimates and both kinds of interval are the same to the bit when computed again."""
    evaluations = run(SobolDesign(X, 256, seed=11), both)
    for kind in ("scramblings", "bootstrap"):
        one, two = (sobol_indices(evaluations, interval=kind) for _ in range(2))  # type: ignore[arg-type]
        assert one.to_frame().equals(two.to_frame())


def test_an_input_without_effect_reads_below_resolution_and_is_named() -> None:
    """A group that does not reach the output gets 0, the verdict 'below resolution' and a question."""
    found = study()
    row = found.to_frame().set_index(["output", "group"]).loc[("line", "x3")]
    assert row["first"] == row["total"] == 0.0
    assert row["verdict"] == row["first_verdict"] == "below resolution"
    assert found.notes == ("group 'x3' has no effect at all on output 'line': did it reach the model?",)


def test_an_input_that_only_interacts_keeps_its_negative_estimate_flagged() -> None:
    """Ishigami's x3 has no first order: its estimate is not clipped, its interval includes zero, its total
    is resolved."""
    rows = [study(256, seed=s).to_frame().set_index(["output", "group"]) for s in range(8)]
    x3 = [row.loc[("ishigami", "x3")] for row in rows]
    assert min(row["first"] for row in x3) < 0.0
    assert sum(row["first_verdict"] == "below resolution" for row in x3) >= 6
    assert sum(row["verdict"] == "resolved" for row in x3) >= 6


def test_contributions_are_shares_of_the_variance_in_units() -> None:
    """Contribution is share times variance, its root the standard contribution; the variance is met."""
    table = study(8 * 1024).to_frame()
    x2 = table[(table["output"] == "ishigami") & (table["group"] == "x2")].iloc[0]
    assert x2["total_variance"] == pytest.approx(ISHIGAMI_TOTAL[1] * ISHIGAMI_VARIANCE, rel=0.03)
    assert x2["total_standard"] == pytest.approx(np.sqrt(x2["total_variance"]))
    assert x2["first_variance"] == pytest.approx(ISHIGAMI_FIRST[1] * ISHIGAMI_VARIANCE, rel=0.03)


def test_sum_rules_hold_and_the_totals_are_not_below_first_order() -> None:
    """Independent inputs keep all sum rules within their intervals, for Ishigami and an additive output."""
    found = study(8 * 512)
    rules = found.sum_rules().set_index("output")
    assert list(rules["finding"]) == ["kept", "kept"]
    assert rules.loc["ishigami", "first_sum"] == pytest.approx(ISHIGAMI_FIRST.sum(), abs=0.03)
    assert rules.loc["ishigami", "total_sum"] == pytest.approx(ISHIGAMI_TOTAL.sum(), abs=0.03)
    assert rules.loc["line", "total_sum"] == pytest.approx(1.0, abs=1e-3)
    assert np.all(found.excess.high >= -1e-9)


def test_outputs_that_do_not_belong_to_their_inputs_break_a_rule() -> None:
    """Rows shuffled out of order are noticed: every total order is 1, far above what one factor may hold."""
    evaluations = run(SobolDesign(X, 2048), ishigami)
    shuffled = np.random.default_rng(2).permutation(evaluations.values.reshape(-1, 1))
    found = sobol_indices(collect(evaluations.design, shuffled))
    assert np.all(found.total.value > 0.9) and np.all(found.first.value < 0.1)
    assert found.total_sum.low[0] > 2.0


def test_a_group_of_members_that_do_not_interact_with_others_holds_their_sum() -> None:
    """For an additive function a group's first and total order are the sums over its members."""
    together = sobol_indices(run(SobolDesign(("a", "a", "b", "b", "c"), 8 * 512), linear))
    members = linear_shares()
    expected = np.array([members[:2].sum(), members[2:4].sum(), members[4]])
    np.testing.assert_allclose(together.first.value[:, 0], expected, atol=0.01)
    np.testing.assert_allclose(together.total.value[:, 0], expected, atol=0.01)


def test_ranks_are_shared_where_the_difference_is_not_resolved() -> None:
    """Two inputs of equal weight share a rank, and the next one counts on after them."""
    # the two equal inputs differ by points alone, so that no interval may part them
    design = SobolDesign(("a", "b", "c"), 512)
    found = sobol_indices(run(design, lambda u: np.sin(7 * u[:, 0]) + np.sin(7 * u[:, 1]) + 0.1 * u[:, 2]))
    assert list(found.rank[:, 0]) == [1.0, 1.0, 3.0]
    assert list(study().rank[:, 1]) == [2.0, 1.0, 3.0]


@settings(max_examples=15, deadline=None)
@given(
    scale=st.floats(1e-6, 1e6),
    shift=st.floats(-1e3, 1e3),
    coefficients=st.lists(st.floats(0.1, 10.0), min_size=3, max_size=3),
)
def test_shares_do_not_change_with_unit_or_offset(
    scale: float, shift: float, coefficients: list[float]
) -> None:
    """Indices are shares: an output in another unit or with an offset has the same ones."""
    design = SobolDesign(X, 128)

    def model(uniforms: np.ndarray) -> np.ndarray:
        plain = uniforms @ np.array(coefficients) + uniforms[:, 0] * uniforms[:, 1]
        return np.stack([plain, scale * (plain + shift)], axis=1)

    found = sobol_indices(run(design, model))
    np.testing.assert_allclose(found.first.value[:, 1], found.first.value[:, 0], atol=1e-8)
    np.testing.assert_allclose(found.total.value[:, 1], found.total.value[:, 0], atol=1e-8)
    np.testing.assert_allclose(found.variance.value[1], scale**2 * found.variance.value[0], rtol=1e-6)


COVERED = {
    "Ishigami": (ishigami, ISHIGAMI_FIRST, ISHIGAMI_TOTAL),
    "G": (g_function, *g_first_and_total()),
    "linear": (linear, linear_shares(), linear_shares()),
}


@pytest.mark.parametrize("name", COVERED)
def test_intervals_cover_the_truth_as_often_as_they_say(name: str) -> None:
    """95 % intervals over scramblings hold the true index in 90 to 98 % of 200 repeats."""
    model, first, total = COVERED[name]
    groups = tuple(f"x{i}" for i in range(len(first)))
    held = []
    for seed in range(200):
        found = sobol_indices(run(SobolDesign(groups, 256, seed=seed), model))
        held.append(
            [
                (interval.low[:, 0] <= truth) & (truth <= interval.high[:, 0])
                for interval, truth in ((found.first, first), (found.total, total))
            ]
        )
    coverage = np.mean(held, axis=0)
    assert 0.90 <= coverage.mean() <= 0.98
    # one input's coverage has a standard error of 1.5 % in 200 repeats
    assert coverage.min() >= 0.87


def test_the_bootstrap_interval_is_not_that_of_even_points() -> None:
    """Independent weights ignore how evenly Sobol points lie: on a smooth function it is far wider."""
    evaluations = run(SobolDesign(tuple("abcde"), 8 * 256), linear)
    narrow = sobol_indices(evaluations).total.width
    wide = sobol_indices(evaluations, interval="bootstrap").total.width
    assert np.median(wide / narrow) > 2.0


@pytest.mark.parametrize(
    ("option", "message"),
    [
        ({"first": "Homma"}, "there are Saltelli 2010, Janon 2014"),
        ({"interval": "normal"}, "'scramblings' and 'bootstrap'"),
        ({"level": 95.0}, "between 0 and 1"),
        ({"resamples": 0}, "fewer than 20"),
    ],
)
def test_an_impossible_analysis_is_refused(option: dict[str, object], message: str) -> None:
    """Unknown names, a level in percent and a bootstrap without resamples are refused, and why."""
    evaluations = run(SobolDesign(X, 64), ishigami)
    with pytest.raises(ValueError, match=message):
        sobol_indices(evaluations, **option)  # type: ignore[arg-type]


def test_one_scrambling_has_no_interval_over_scramblings() -> None:
    """A plan with a single scrambling says what to do instead of giving an interval of zero width."""
    evaluations = run(SobolDesign(X, 64, scramblings=1), ishigami)
    with pytest.raises(ValueError, match="plan eight"):
        sobol_indices(evaluations)
