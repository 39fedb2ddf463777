"""Search for turning points on plain functions, what is moved in a case, and the text of a change."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pad_study import EVERY_LEVEL, NONE, pad_case
from scipy.stats import norm

from margin.case.changes import with_changes
from margin.design.overturning.left_out import left_out
from margin.design.overturning.moves import Move, moves_of
from margin.design.overturning.search import Search, Tolerance, run
from margin.design.overturning.written import changes_of, moved_case, quantity_at
from margin.estimates.yield_result import Estimate
from margin.propagation.factors import factors_of

CLOSE = Tolerance(0.01, 0.02)


def bound_at(u: float, turn: float, slope: float, half: float) -> Estimate:
    """A smooth bound that falls through 0.95 at `turn`; its interval is that of a bound moved by `half` along u."""
    start = float(norm.ppf(0.95))
    value, low, high = (float(norm.cdf(start - slope * (u - at))) for at in (turn, turn - half, turn + half))
    return Estimate(value, low, high)


def searched(turn: float, slope: float, half: float, end: float) -> Search:
    """A finished search."""
    one = Search(end, 0.95, CLOSE, {0.0: bound_at(0.0, turn, slope, half)})

    def ask(wanted: Sequence[tuple[int, float]]) -> list[Estimate | None]:
        return [bound_at(u, turn, slope, half) for _, u in wanted]

    run({0: one}, ask)
    return one


@given(turn=st.floats(0.3, 9.0), slope=st.floats(0.05, 20.0), part=st.floats(0.02, 0.5))
def test_a_turning_point_is_found_with_its_interval(turn: float, slope: float, part: float) -> None:
    """For any smooth falling bound the point is found to 1 %, and its interval is not narrower than the exact one, nor
    wider by more than its tolerance."""
    half = part * turn
    found = searched(turn, slope, half, 10.0).crossing
    assert found is not None and found.near is not None
    assert found.value == pytest.approx(turn, rel=0.011, abs=0.005)
    assert found.near <= turn - half + 1e-9
    assert found.near >= turn - half - max(0.021 * turn, 0.005)
    if turn + half < 10.0:
        assert found.far is not None and found.far >= turn + half - 1e-9
    else:
        assert found.far is None


def test_a_bound_that_does_not_cross_has_no_turning_point() -> None:
    """Where the bound still reaches the target at the end of the range, and inside it, the search ends without one."""
    one = searched(20.0, 1.0, 0.5, 10.0)
    assert one.crossing is None
    assert sorted(one.points) == pytest.approx([0.0, 10.0 / math.sqrt(10.0), 10.0])


def test_the_range_ends_where_the_chain_gives_no_number() -> None:
    """What is not a number shortens the range; a turning point before it is still found."""
    one = Search(10.0, 0.95, CLOSE, {0.0: bound_at(0.0, 2.0, 1.0, 0.2)})

    def ask(wanted: Sequence[tuple[int, float]]) -> list[Estimate | None]:
        return [None if u > 4.0 else bound_at(u, 2.0, 1.0, 0.2) for _, u in wanted]

    run({0: one}, ask)
    assert one.broken is not None and one.crossing is not None
    assert one.crossing.value == pytest.approx(2.0, rel=0.011)


def test_an_interval_that_holds_the_assumed_value_is_open_towards_it() -> None:
    """Where the draws leave the verdict open at the assumed value itself the interval has no near end."""
    found = searched(1.0, 0.5, 1.5, 10.0).crossing
    assert found is not None and found.near is None and found.far is not None


def every() -> tuple[Move, ...]:
    """Moves of a case with spreads at every level and two named conditions."""
    return moves_of(pad_case(NONE, **EVERY_LEVEL))[1]


def test_every_assumed_number_is_moved_and_no_other() -> None:
    """Each spread that the case lists as assumed has a size to be moved; spreads measured on units have none."""
    case = pad_case(NONE, **EVERY_LEVEL)
    moves = every()
    sized = {(m.quantity, m.level) for m in moves if m.kind == "size" and m.place is not None}
    assert sized == {(a.quantity, a.level) for a in case.assumptions if a.quantity is not None}
    assert ("sensor.sensitivity", "unit") not in sized
    assert {m.quantity for m in moves if m.place is None} == {"sensor.reload_scatter", "converter.noise"}
    assert not [left for left in left_out(case, moves) if "not a number" not in left.why]


def test_bands_of_unstated_effects_are_moved_as_true_values() -> None:
    """An effect that a case leaves out counts at its plausible band; its true value is moved both ways within what the
    quantity can be, and its size is not."""
    case = pad_case(NONE, case={"unstated": "plausible bands"})
    moves = [m for m in moves_of(case)[1] if m.quantity == "sensor.hysteresis"]
    assert [(m.kind, m.sign) for m in moves] == [("effect", 1), ("effect", -1)]
    up, down = moves
    assert up.number(0.0) == pytest.approx(0.06) and up.band == pytest.approx((0.02, 0.10))
    assert 0.0 <= down.number(down.end) < 0.001
    assert up.sd == pytest.approx(0.08 / math.sqrt(12.0))


@pytest.mark.parametrize("u", [0.25, 0.7])
def test_text_of_a_change_gives_the_moved_case(u: float) -> None:
    """Every move within its range has a text for --change, and the case read from it has the moved factors."""
    case = pad_case(NONE, **EVERY_LEVEL)
    tried = 0
    for move in every():
        at = min(u, 0.9 * move.end)
        if at <= 0.0:
            continue
        texts = changes_of(case, [(move, at)])
        assert list(texts) == [move.key], move
        read, moved = with_changes(case, texts), moved_case(case, [(move, at)])
        own, wanted = (quantity_at(each, move.key) for each in (read, moved))
        assert own.nominal == pytest.approx(wanted.nominal, rel=1e-5)
        names = [[f.name for f in factors_of(each)] for each in (read, moved)]
        assert names[0] == names[1]
        for one, other in zip(own.spreads, wanted.spreads, strict=True):
            assert one.distribution.sd == pytest.approx(other.distribution.sd, rel=1e-4)
        tried += 1
    assert tried > 20


@pytest.mark.parametrize(
    "tolerance",
    [
        "60 kohm +/- 1 % (triangular)",
        "60 kohm +/- 1 % (3 sigma, screened)",
        "60 kohm +/- 1 % (arcsine)",
        "60 kohm +2 % / -1 %",
    ],
)
def test_other_shapes_have_a_text_too(tolerance: str) -> None:
    """A shape with keys of its own, nested or not, is written as the case reads it."""
    circuit = {"kind": "inverting amplifier", "reference": "1.2 V", "feedback": tolerance}
    case = pad_case(NONE, circuit=circuit)
    for move in moves_of(case)[1]:
        assert changes_of(case, [(move, 0.5)]), move.kind


def test_a_quantity_that_must_stay_positive_is_not_moved_past_zero() -> None:
    """The size of a tolerance of 20 % grows to just short of five times, where the resistor would reach zero."""
    circuit = {"kind": "inverting amplifier", "reference": "1.2 V", "feedback": "60 kohm +/- 20 %"}
    moves = moves_of(pad_case(NONE, circuit=circuit))[1]
    (up,) = (m for m in moves if m.kind == "size" and m.sign > 0)
    assert up.multiple(up.end) == pytest.approx(0.99 * 5.0)
    assert up.held_at == "must stay above 0"
    down = next(m for m in moves if m.kind == "value" and m.sign < 0)
    assert down.number(down.end) > 0.2 * 60e3 * 0.9


def test_moves_of_a_shared_quantity_move_all_that_share_it() -> None:
    """What shares the draws of a moved quantity gets the same shift, so that both keep one draw."""
    case = pad_case(
        NONE, circuit={"kind": "inverting amplifier", "reference": "1.2 V", "feedback": "60 kohm +/- 1 %"}
    )
    sharing = dataclasses.replace(
        case.elements["circuit"].quantities["feedback"],
        name="circuit.reference",
        shared_with="circuit.feedback",
    )
    circuit = case.elements["circuit"]
    quantities = {**circuit.quantities, "reference": sharing}
    tied = dataclasses.replace(
        case, elements={**case.elements, "circuit": dataclasses.replace(circuit, quantities=quantities)}
    )
    ready = moves_of(tied)[0].elements["circuit"].quantities
    assert ready["reference"].spreads == ready["feedback"].spreads
    assert len(ready["feedback"].spreads) == 2
