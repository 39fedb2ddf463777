"""Main and total effects from units drawn again, against published indices, closed forms and quadrature."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from analytic_functions import (
    ISHIGAMI_FIRST,
    ISHIGAMI_TOTAL,
    ISHIGAMI_VARIANCE,
    g_first_and_total,
    g_function,
    g_parts,
    ishigami,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from redrawn_functions import RedrawnFunction, limit_state_effects, margin_effects, study_of
from SALib.analyze import sobol as salib_analyze
from SALib.sample import sobol as salib_sample
from scipy.special import ndtri

from margin.estimates.sensitivity.effects import Effects, effects_of
from margin.estimates.sensitivity.interval import Interval
from margin.estimates.sensitivity.redraw_sums import RedrawSums
from margin.estimates.sensitivity.rounds import Study, refine

Array = NDArray[np.float64]

SHARES = np.array([0.6, 0.3, 0.09, 0.01])


def effects(
    function: Callable[[Array], Array], columns: int, units: int, seed: int = 1, **asked: Any
) -> Effects:
    study = study_of(columns, units, **asked)
    return refine(study, RedrawnFunction(function, columns, seed, study.second_order)).effects


def holds(found: Interval, expected: Array) -> None:
    """Intervals, widened by half so that one of many may lie off at 95 %, hold the exact values, and lie within
    [0, 1]."""
    low, high, slack = found.low[:, 0], found.high[:, 0], found.width[:, 0] / 4.0 + 1e-12
    assert np.all((low - slack <= expected) & (expected <= high + slack)), (low, high, expected)
    assert np.all((found.low >= 0.0) & (found.high <= 1.0) & (found.low <= found.value))
    assert np.all(found.value <= found.high)


def error(uniforms: Array) -> Array:
    """Sum of independent normal causes with variances SHARES, which sum to 1."""
    return ndtri(uniforms) @ np.sqrt(SHARES)


def test_published_indices_of_ishigami_are_met() -> None:
    """Main and total effects of Ishigami's function are those published (Saltelli et al. 2000, Sensitivity Analysis,
    from memory; equal to the closed form), within intervals 0.02 to 0.06 wide; so is its variance."""
    found = effects(ishigami, 3, 8192)
    holds(found.main, ISHIGAMI_FIRST)
    holds(found.total, ISHIGAMI_TOTAL)
    assert found.total.width.max() < 0.06
    assert found.variance[0] == pytest.approx(ISHIGAMI_VARIANCE, rel=0.05)
    assert found.rank[:, 0].tolist() == [1, 2, 3]


def test_the_g_function_meets_its_closed_form() -> None:
    """Strong, weak and next to idle inputs of the G function (Saltelli and Sobol 1995)."""
    first, total = g_first_and_total()
    found = effects(g_function, 8, 8192)
    holds(found.main, first)
    holds(found.total, total)
    assert found.variance[0] == pytest.approx(g_parts()[1], rel=0.05)


def test_pairs_of_ishigami_interact_as_published() -> None:
    """The first and third input of Ishigami's function interact with what its total effects leave, others do not."""
    found = effects(ishigami, 3, 8192, second_order=True)
    assert found.second is not None
    of_pair = ISHIGAMI_TOTAL[2]
    assert found.second.low[0, 2, 0] - 0.01 <= of_pair <= found.second.high[0, 2, 0] + 0.01
    for pair in ((0, 1), (1, 2)):
        assert found.second.low[(*pair, 0)] == 0.0
        assert found.second.high[(*pair, 0)] < 0.05
    below = np.tril_indices(3)
    assert np.isnan(found.second.value[below]).all()


@pytest.mark.parametrize("groups", [None, ["a", "b", "b"]])
def test_agreement_with_a_general_library(groups: list[str] | None) -> None:
    """On scrambled Sobol points of SALib's sampler main and total effects, and pairs, lie within 0.03 of SALib's own
    estimates (Saltelli 2010, Jansen 1999, Saltelli 2002)."""
    problem: dict[str, object] = {"num_vars": 3, "names": ["x1", "x2", "x3"], "bounds": [[0.0, 1.0]] * 3}
    if groups:
        problem["groups"] = groups
    names = tuple(dict.fromkeys(groups or problem["names"]))  # type: ignore[call-overload]
    rows, matrices = 4096, 2 + 2 * len(names)
    points = salib_sample.sample(problem, rows, calc_second_order=True, seed=4)
    expected = salib_analyze.analyze(problem, ishigami(points), calc_second_order=True, seed=4)
    by_matrix = ishigami(points).reshape(rows, matrices).T[..., np.newaxis]
    # SALib keeps A, AB_1 .., BA_1 .., B for each base row
    order = [by_matrix[0], by_matrix[-1], *by_matrix[1:-1]]
    sums = RedrawSums.of(order, 32, len(names), second_order=True)
    found = effects_of(sums, names, ("y",))
    assert found.main.value[:, 0] == pytest.approx(expected["S1"], abs=0.03)
    assert found.total.value[:, 0] == pytest.approx(expected["ST"], abs=0.03)
    assert found.second is not None
    above = np.triu_indices(len(names), 1)
    assert found.second.value[above][:, 0] == pytest.approx(expected["S2"][above], abs=0.03)


@pytest.mark.parametrize("limit", [0.674, 1.645, 2.576])
def test_a_failing_unit_meets_the_bivariate_normal(limit: float) -> None:
    """Where 50, 10 or 1 % of units fail by a normal error, main and total effect of each cause and the part that it
    cures are those of two units with correlated errors (bivariate normal distribution function of scipy)."""
    main, total, cured = limit_state_effects(SHARES, limit)
    found = effects(lambda u: (np.abs(error(u)) > limit).astype(float), 4, 1 << 15, failing=(0,))
    holds(found.main, main)
    holds(found.total, total)
    holds(found.cured, cured)
    assert found.rank[:, 0].tolist() == [1, 2, 3, 4]
    assert found.cured.width.max() < 0.1


@pytest.mark.parametrize("limit", [0.8, 2.0])
def test_a_bounded_margin_meets_the_quadrature(limit: float) -> None:
    """Effects on a margin that ends at twice the limit are those found by quadrature over one cause at a time."""
    main, total = margin_effects(SHARES, limit, 2.0)
    found = effects(lambda u: 1.0 - np.minimum(np.abs(error(u)) / limit, 2.0), 4, 1 << 14)
    holds(found.main, main)
    holds(found.total, total)
    assert max(found.main.width.max(), found.total.width.max()) < 0.04


def spread_and_fault(uniforms: Array) -> Array:
    """Error (limit 1), and whether it lies beyond: a spread of +-0.9, and a fault of 3 in 2 % of units."""
    spread, fault = 1.8 * uniforms[:, 0] - 0.9, np.where(uniforms[:, 1] < 0.02, 3.0, 0.0)
    both = spread + fault
    return np.stack([both, (np.abs(both) > 1.0).astype(float)], axis=1)


def test_what_sets_the_variance_need_not_make_units_fail() -> None:
    """A uniform spread within the limit has 60 % of the variance of the error and fails no unit; a rare fault has the
    rest, and all failing units: the two rankings differ, and drawing the fault afresh cures 98 % (closed form)."""
    study = Study(("spread", "fault"), ("error", "fails"), 4 << 14, 1e-9, failing=(1,))
    found = refine(study, RedrawnFunction(spread_and_fault, 2)).effects
    spread, fault = 0.9**2 / 3.0, 9.0 * 0.02 * 0.98
    of_error = np.array([spread, fault]) / (spread + fault)
    for effect in (found.main, found.total):
        assert np.all((effect.low[:, 0] - 0.01 <= of_error) & (of_error <= effect.high[:, 0] + 0.01))
        assert effect.value[:, 1] == pytest.approx([0.0, 1.0], abs=0.01)
    assert found.rank[:, 0].tolist() == [1, 2]
    assert found.rank[:, 1].tolist() == [2, 1]
    assert found.cured.low[1, 1] <= 0.98 <= found.cured.high[1, 1]
    assert found.cured.value[0, 1] == 0.0
    assert np.isnan(found.cured.value[:, 0]).all()


def test_a_share_of_readings_is_cured_by_what_it_loses() -> None:
    """Where readings are counted, with a third of them beyond by one cause and two thirds by another, independent
    with probability q each: what is lost when one is drawn afresh (closed form: its part times 1 - q)."""
    q = 0.3

    def beyond(uniforms: Array) -> Array:
        return (uniforms < q).astype(float) @ np.array([1.0, 2.0]) / 3.0

    found = effects(beyond, 2, 1 << 14, failing=(0,), shares=True)
    holds(found.cured, np.array([1.0, 2.0]) / 3.0 * (1.0 - q))
    holds(found.total, np.array([0.2, 0.8]))


@given(
    st.integers(0, 10_000),
    st.floats(-1e3, 1e3),
    st.floats(1e-3, 1e3),
    st.sampled_from([32, 64, 256]),
    st.booleans(),
)
@settings(max_examples=40, deadline=None)
def test_effects_have_no_unit_and_stay_within_their_bounds(
    seed: int, offset: float, scale: float, units: int, heavy: bool
) -> None:
    """An output in another unit or with an offset has the same effects, of heavy tails too; ends lie within [0, 1]."""

    def plain(uniforms: Array) -> Array:
        normal = ndtri(uniforms)
        return np.asarray(normal[:, 0] / normal[:, 1] if heavy else normal[:, 0] + 0.5 * normal[:, 1])

    one = effects(plain, 2, units, seed)
    other = effects(lambda u: offset + scale * plain(u), 2, units, seed)
    assert one.reasons == other.reasons
    for name in ("main", "total"):
        a, b = getattr(one, name), getattr(other, name)
        assert a.value == pytest.approx(b.value, abs=1e-6, nan_ok=True)
        if not one.reasons:
            assert np.all((a.low >= 0.0) & (a.low <= a.value) & (a.value <= a.high) & (a.high <= 1.0))


def test_a_runaway_unit_leaves_no_effects_but_those_on_a_bounded_output() -> None:
    """A ratio of two normals has no variance: one unit makes most of that of its sample, which is reported in place of
    effects. Bounded, the same output has effects with narrow intervals."""

    def ratio(uniforms: Array) -> Array:
        normal = ndtri(uniforms)
        runaway = normal[:, 0] / (normal[:, 1] * 1e-3)
        return np.stack([runaway, 1.0 - np.minimum(np.abs(runaway) / 1e3, 2.0)], axis=1)

    study = Study(("above", "below"), ("ratio", "bounded"), 4 << 13, 0.05)
    found = refine(study, RedrawnFunction(ratio, 2, 3))
    assert set(found.effects.reasons) == {0}
    assert "of the variance" in found.effects.reasons[0]
    assert np.isnan(found.effects.main.value[:, 0]).all()
    assert found.effects.total.width[:, 1].max() < 0.05
    assert found.stopped_by == "width"


@pytest.mark.parametrize(
    ("beyond", "told"), [(-1.0, "none of 2048 units fails"), (2.0, "every one of 2048 units fails")]
)
def test_an_output_without_a_failing_unit_says_how_many_were_looked_at(beyond: float, told: str) -> None:
    """Where no unit fails, or every one, there is no effect; all units of the budget are looked at for another."""
    study = study_of(3, 1024, failing=(0,), width=0.9)
    found = refine(study, RedrawnFunction(lambda u: (u[:, 0] < beyond).astype(float), 3))
    assert found.effects.reasons == {0: told}
    assert found.runs == study.runs
    assert np.isnan(found.effects.total.value).all()
    assert np.isnan(found.effects.cured.value).all()


def test_failing_and_conforming_are_alike() -> None:
    """Main and total effects, with their intervals, are those of conforming: of failing units 2 %, 50 % or 98 %."""
    for limit in (0.1, 0.5, 0.9):
        fails = effects(lambda u, c=limit: (u.mean(axis=1) < c).astype(float), 2, 256, failing=(0,))
        conforms = effects(lambda u, c=limit: (u.mean(axis=1) >= c).astype(float), 2, 256, failing=(0,))
        for one, other in ((fails.main, conforms.main), (fails.total, conforms.total)):
            for end in ("value", "low", "high"):
                assert getattr(one, end) == pytest.approx(getattr(other, end), abs=1e-9)


def test_few_failing_units_have_exact_intervals() -> None:
    """Where all of n pairs with a failure change with a cause, at least a part q = 0.025 to the power 1/n of them does
    (Clopper and Pearson 1934), that is q / (2 - q) of failures cured. No interval has zero width."""
    study = study_of(2, 64, failing=(0,))
    changing = RedrawnFunction(lambda u: (u[:, 0] < 0.03).astype(float), 2, 1)
    fails = [found[:, 0] for found in changing(0, 64)]
    alike, changed = int((fails[0] * fails[2]).sum()), int(np.abs(fails[0] - fails[2]).sum())
    assert alike == 0 and changed >= 3
    found = refine(study, changing).effects
    least = 0.025 ** (1.0 / changed)
    assert found.cured.low[0, 0] == pytest.approx(least / (2.0 - least))
    assert (found.cured.value[0, 0], found.cured.high[0, 0]) == (1.0, 1.0)
    # the other cause changes nothing in any unit
    assert found.inert[:, 0].tolist() == [False, True]
    assert found.cured.high[1, 0] > 0.0


def test_intervals_hold_as_often_as_stated() -> None:
    """Over 250 seeds intervals at 95 % hold the exact main and total effect of a bounded margin and of failing units
    (10 %) in 90 to 100 % of them, for every cause; binomial noise of a count of 250 is 1.4 %."""
    limit, units, seeds = 1.645, 256, 250
    of_margin = margin_effects(SHARES, limit, 2.0)
    of_failing = limit_state_effects(SHARES, limit)[:2]
    exact = [np.stack(pair, axis=1) for pair in zip(of_margin, of_failing, strict=True)]

    def both(uniforms: Array) -> Array:
        size = np.abs(error(uniforms)) / limit
        return np.stack([1.0 - np.minimum(size, 2.0), (size > 1.0).astype(float)], axis=1)

    study = Study(("a", "b", "c", "d"), ("margin", "fails"), 6 * units, 1e-9, failing=(1,))
    held = []
    for seed in range(seeds):
        found = refine(study, RedrawnFunction(both, 4, seed)).effects
        held.append(
            [
                (each.low <= value) & (value <= each.high)
                for each, value in zip((found.main, found.total), exact, strict=True)
            ]
        )
    share = np.mean(held, axis=0)
    assert share.min() >= 0.90
    assert 0.94 <= share.mean() <= 0.99


@pytest.mark.parametrize("constant", [0.0, 0.4, 192.53, 1e6])
def test_a_constant_has_no_effects_and_a_reason_and_leaves_others_alone(constant: float) -> None:
    """A constant, and one that carries round-off, give NaN with a reason, never a share of round-off; the output
    beside them has the effects that it has alone."""

    def beside(uniforms: Array) -> Array:
        still = np.full(len(uniforms), constant)
        rounded = np.where(uniforms[:, 0] > 0.5, 0.1 + 0.2, 0.3)
        return np.stack([still, uniforms[:, 0] + uniforms[:, 1], rounded], axis=1)

    study = Study(("a", "b"), ("flat", "sum", "rounded"), 4 * 256, 1e-9)
    found = refine(study, RedrawnFunction(beside, 2)).effects
    assert set(found.reasons) == {0, 2}
    assert found.reasons[0] == f"constant {constant:.6g} in all of 512 units"
    assert np.isnan(found.total.value[:, [0, 2]]).all() and np.isnan(found.variance[[0, 2]]).all()
    alone = refine(
        Study(("a", "b"), ("sum",), 4 * 256, 1e-9), RedrawnFunction(lambda u: u[:, 0] + u[:, 1], 2)
    ).effects
    assert found.total.value[:, 1] == pytest.approx(alone.total.value[:, 0], rel=1e-9)
    assert found.main.high[:, 1] == pytest.approx(alone.main.high[:, 0], rel=1e-9)


def test_outputs_that_do_not_belong_to_their_inputs_break_a_rule() -> None:
    """Units out of order are noticed: every total effect is 1, and their sum far above what one output may have."""
    rng = np.random.default_rng(2)
    shuffled = RedrawnFunction(lambda u: rng.permutation(ishigami(u)), 3)
    found = refine(study_of(3, 2048), shuffled).effects
    assert np.all(found.total.value > 0.9) and np.all(found.main.value < 0.1)
    assert found.total_sum.low[0] > 2.0


def test_ranks_are_shared_where_the_difference_is_not_resolved() -> None:
    """Two inputs of equal weight share a rank, and the next one counts on after them."""
    found = effects(lambda u: np.sin(7 * u[:, 0]) + np.sin(7 * u[:, 1]) + 0.1 * u[:, 2], 3, 512)
    assert found.rank[:, 0].tolist() == [1.0, 1.0, 3.0]
