"""Turning values against closed forms, through the real engine."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import pytest
from turning_cases import (
    OHM,
    TURNING_HALF_WIDTH,
    TURNING_SD,
    line_case,
    turning_alone,
    turning_beside_common,
    turning_multiple,
    turning_shift,
)

import margin
from margin.backends.run import run
from margin.case import Case
from margin.design.overturning import Overturning, Turning, overturning
from margin.design.overturning.bounds import MovedBounds
from margin.design.overturning.moves import moves_of
from margin.design.overturning.written import moved_case
from margin.errors import InvalidArgument
from margin.estimates.advice.trials import yield_in
from margin.propagation.plan import plan_of

NORMAL = "60 kohm +/- 2 % (2 sigma)"


def turning(found: Overturning, kind: str, sign: int, quantity: str = "circuit.feedback") -> Turning:
    """The one turning value of that kind and side."""
    (one,) = (t for t in found.turnings if (t.kind, t.sign, t.quantity) == (kind, sign, quantity))
    return one


def close(one: Turning, exact: float, within: float) -> None:
    """The value is near the exact one, which its interval contains."""
    assert one.value is not None
    assert one.value.low <= exact <= one.value.high
    assert one.value.value == pytest.approx(exact, rel=within)


def test_size_of_a_normal_error_turns_at_its_closed_form() -> None:
    """A normal error turns the verdict at limit / 1.96 (Phi(1.96) = 0.975), within its interval and to 1 %."""
    found = overturning(line_case(NORMAL), "none")
    assert found.verdict == "conforms"
    one = turning(found, "size", 1)
    close(one, 100.0 * TURNING_SD, 0.01)
    assert one.multiple == pytest.approx(TURNING_SD / 0.01, rel=0.01)
    assert one.score is not None and one.score.value == pytest.approx(math.log2(TURNING_SD / 0.01), abs=0.02)
    assert (one.direction, one.measure) == ("below", "standard deviation")


def test_size_of_a_rectangular_error_turns_at_its_closed_form() -> None:
    """A rectangular error turns the verdict at limit / 0.95, within its interval and to 1 %."""
    one = turning(overturning(line_case("60 kohm +/- 2 %"), "none"), "size", 1)
    close(one, 100.0 * TURNING_HALF_WIDTH, 0.01)
    assert one.measure == "half width"


@pytest.mark.parametrize("sign", [1, -1])
def test_mean_turns_at_its_closed_form(sign: int) -> None:
    """The mean of a quantity turns the verdict where 95 % of the shifted normal lie within, to both sides."""
    one = turning(overturning(line_case(NORMAL), "none"), "value", sign)
    close(one, OHM * (1.0 + turning_shift(0.01, sign)), 1e-3)
    assert one.direction == ("below" if sign > 0 else "above")


def test_a_design_that_does_not_conform_turns_where_the_spread_shrinks_enough() -> None:
    """Of a spread that is too wide the same size is found from the other side, and a shift never helps."""
    found = overturning(line_case("60 kohm +/- 9 % (2 sigma)"), "none")
    assert found.verdict == "does not conform"
    close(turning(found, "size", -1), 100.0 * TURNING_SD, 0.01)
    assert turning(found, "size", -1).direction == "below"
    assert all(turning(found, "value", sign).value is None for sign in (1, -1))


@pytest.mark.parametrize("sign", [1, -1])
def test_effect_common_to_all_units_turns_at_its_closed_form(sign: int) -> None:
    """The true value of what is assumed within a band turns the verdict where a known shift does: the band itself no
    longer counts then, and the yield is that of all units."""
    case = line_case("60 kohm +/- 1 % per common, +/- 2 % (2 sigma) per unit", outer=None)
    one = turning(overturning(case, "none"), "effect", sign)
    close(one, OHM * (1.0 + turning_shift(0.01, sign)), 2e-3)


def test_size_beside_epistemic_uncertainty_turns_where_the_lower_bound_does() -> None:
    """With an error common to all units the verdict turns where the 5 % point of the yield does, by quadrature."""
    case = line_case("60 kohm +/- 1.5 % per common, +/- 2 % (2 sigma) per unit", outer=None)
    one = turning(overturning(case, "none", units=8_192, outer=128, pairs=False), "size", 1)
    close(one, 100.0 * turning_beside_common(0.015), 0.04)


def test_pairs_turn_at_a_common_multiple() -> None:
    """Two independent normal errors turn the verdict together at the multiple of both that quadrature gives, and each
    alone at its own; the nearer leads."""
    case = line_case(NORMAL, sensitivity="4 uS +/- 3 % (2 sigma) per unit")
    found = overturning(case, "none")
    sensitivity, feedback = (turning(found, "size", 1, q) for q in ("sensor.sensitivity", "circuit.feedback"))
    close(sensitivity, 1.5 * turning_alone(0.015, 0.01), 0.02)
    close(feedback, turning_alone(0.01, 0.015), 0.02)
    assert found.nearest[:2] == (sensitivity, feedback)
    (pair,) = found.pairs
    assert {pair.first.quantity, pair.second.quantity} == {"sensor.sensitivity", "circuit.feedback"}
    exact = turning_multiple(0.01, 0.015)
    assert pair.score.low <= math.log2(exact) <= pair.score.high
    assert 2.0**pair.score.value == pytest.approx(exact, rel=0.02)
    assert (pair.first_value, pair.second_value) == pytest.approx((1.5 * exact, exact), rel=0.02)


def test_nearness_ranks_as_the_closed_form_does() -> None:
    """Turning values are in the order of their distances: a size 3.06 times as large (1.6 doublings) before a mean 4.3
    and 4.4 standard deviations away."""
    found = overturning(line_case(NORMAL), "none")
    assert [(t.kind, t.sign) for t in found.nearest] == [("size", 1), ("value", 1), ("value", -1)]
    scores = [t.score.value for t in found.nearest if t.score is not None]
    exact = [math.log2(TURNING_SD / 0.01), *(abs(turning_shift(0.01, s)) / 0.01 for s in (1, -1))]
    assert scores == pytest.approx(exact, rel=0.02)


def rerun(case: Case, one: Turning, times: float) -> str:
    """Verdict of the case with the standard deviation set by its change, multiplied."""
    key, _, text = one.change.partition("=")
    assert one.value is not None
    written = f"{one.value.value:.6g} %"
    assert written in text
    changed = margin.change(case, {key: text.replace(written, f"{times * one.value.value:.6g} %")})
    sized = dataclasses.replace(changed, study=dataclasses.replace(changed.study, units=16_000))
    return yield_in(run(sized, plan=plan_of(sized))).verdict(0.95)


def test_verdicts_beside_a_turning_value_are_opposite() -> None:
    """Run again from the text of its change, at 0.97 and 1.03 times the turning value, the verdicts are opposite."""
    case = line_case(NORMAL, units=16_000)
    one = turning(overturning(case, "none"), "size", 1)
    assert one.value is not None and one.value.high - one.value.low < 0.06 * one.value.value
    assert (rerun(case, one, 0.97), rerun(case, one, 1.03)) == ("conforms", "does not conform")


def test_nothing_within_the_range_is_said_so() -> None:
    """A spread that stays within the limit at ten times its size turns nothing: its lower bound there is given."""
    found = overturning(line_case("60 kohm +/- 0.1 %"), "none")
    assert found.nearest == () and found.pairs == ()
    one = turning(found, "size", 1)
    assert one.value is None and one.searched_to == pytest.approx(math.log2(10.0))
    assert one.bound is not None and one.bound.value == 1.0


def test_same_seed_same_answer_for_any_number_of_threads() -> None:
    """The result is the same to the bit for the same seed and any number of threads, and another for another seed."""
    one, again = (overturning(line_case(NORMAL), "none", workers=w).frame() for w in (1, 2))
    assert one.equals(again)
    other = overturning(line_case(NORMAL, seed=4), "none").frame()
    assert not one["value"].equals(other["value"])


def test_unmoved_the_bound_is_that_of_the_study() -> None:
    """With nothing moved the bound is that of the engine on the same plan; moved, that of the moved case."""
    case = line_case("60 kohm +/- 1.5 % per common, +/- 2 % (2 sigma) per unit", units=6400, outer=100)
    ready, moves = moves_of(case)
    bounds = MovedBounds.of(ready, [m.shift for m in moves if m.shift is not None], 1, 1)
    assert bounds([{}]) == [yield_in(run(case, plan=plan_of(case))).bound]
    for move in (m for m in moves if m.kind != "effect" and m.sign > 0):
        moved = moved_case(case, [(move, 0.9)])
        (found,) = bounds([move.scales(0.9)])
        assert found is not None
        assert found.value == pytest.approx(yield_in(run(moved, plan=plan_of(moved))).bound.value, abs=1e-3)


@pytest.mark.parametrize(
    ("option", "wrong", "told"),
    [
        ("two-point", {}, "no calibration option 'two-point'; there are 'none'"),
        ("none", {"units": 100}, "units must be at least 256"),
        ("none", {"nearest": -1}, "nearest must be at least 0"),
    ],
)
def test_wrong_arguments_are_refused(option: str, wrong: dict[str, Any], told: str) -> None:
    """Each wrong argument gets one message that names it."""
    with pytest.raises(InvalidArgument, match=told):
        overturning(line_case(NORMAL), option, **wrong)
