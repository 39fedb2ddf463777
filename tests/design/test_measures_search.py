"""The cheapest set of measures against full enumeration, in closed form and through the engine."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from closed_form_measures import design, every_set, good_cost
from gain_designs import PRICE_OF, RESISTORS, SENSORS, file_of, gain_case, gain_yield
from hypothesis import given, settings
from hypothesis import strategies as st

from distributions.errors import InvalidArgument
from margin.calibration.cost import seconds_per_unit
from margin.calibration.station import Station
from margin.design.measures import Effort, Engine, Measure, Measures, Prices, cheapest, read_measures
from margin.design.measures.ledger import spent
from margin.design.measures.order import MOST_TIMED, ascending, count_of_sets
from margin.design.measures.result import Chosen, Judged
from margin.estimates.yield_result import Estimate

THOROUGH = Effort(screens=10_000, confirmations=10_000)


@pytest.mark.parametrize("seed", range(12))
def test_the_cheapest_set_is_that_of_full_enumeration(seed: int) -> None:
    """With yields in closed form the answer is the set that costs least a good unit among all that conform, though
    yields fall with some measures, some save money, and station times do not add up."""
    measures, judge, target = design(seed)
    found = cheapest(measures, judge, target=target, confidence=0.95, effort=THOROUGH)
    possible = [c for c in every_set(measures) if judge.times(c) is not None]
    conforming = [c for c in possible if judge.share(c) >= target]
    assert found.sets == len(every_set(measures))
    if not conforming:
        assert found.answer is None and found.verdict == "does not conform"
        return
    costs = {c: good_cost(measures, judge, c) for c in conforming}
    assert found.answer is not None and found.proven and found.verdict == "conforms"
    assert found.answer.good.value == pytest.approx(min(costs.values()), rel=1e-12)
    assert costs[found.answer.chosen] == pytest.approx(min(costs.values()), rel=1e-12)


def test_closed_form_designs_are_of_both_kinds() -> None:
    """The enumerated designs hold some that no set solves, some with a yield that a measure lowers, and some whose
    cheapest set to make is not that of the cheapest good unit."""
    unsolved = lowered = other = 0
    for seed in range(12):
        measures, judge, target = design(seed)
        possible = [c for c in every_set(measures) if judge.times(c) is not None]
        conforming = [c for c in possible if judge.share(c) >= target]
        unsolved += not conforming
        lowered += any(judge.share((k,)) < judge.share(()) for k in range(len(measures.measures)))
        made = {c: measures.prices.made(measures.taken(c), float(judge.times(c) or 0.0)) for c in conforming}
        other += bool(conforming) and min(made, key=made.__getitem__) != min(
            conforming, key=lambda c: good_cost(measures, judge, c)
        )
    assert unsolved >= 1 and lowered >= 6 and other >= 1


@settings(max_examples=25)
@given(seed=st.integers(0, 2**32 - 1))
def test_every_set_comes_once_and_in_ascending_cost(seed: int) -> None:
    """Each set with at most one measure of a group comes exactly once, and no cost is below the one before."""
    random = np.random.default_rng(seed)
    groups = [
        tuple(range(3 * k, 3 * k + int(random.integers(1, 4)))) for k in range(int(random.integers(1, 5)))
    ]
    added = random.uniform(-1.0, 1.0, 12).tolist()
    timed = (random.uniform(size=12) < 0.2).tolist()
    found = list(ascending(groups, added, timed, lambda chosen: 0.3 * len(chosen) ** 2))
    assert len({chosen for _, chosen in found}) == len(found) == count_of_sets(groups)
    assert all(one[0] <= other[0] for one, other in itertools.pairwise(found))
    for cost, chosen in found:
        slow = sum(any(timed[k] for k in group) for group in groups for place in chosen if place in group)
        wanted = sum(added[k] for k in chosen) + 0.3 * slow**2
        assert cost == pytest.approx(wanted, abs=1e-8)


def test_too_many_calibrations_are_refused() -> None:
    """More combinations of measures that change the station time than can be worked out are refused with the remedy."""
    with pytest.raises(
        InvalidArgument, match=f"at most {MOST_TIMED}.*put those that exclude each other in one group"
    ):
        next(ascending([(k,) for k in range(13)], [0.0] * 13, [True] * 13, lambda chosen: 0.0))


def test_the_errors_of_all_confirmations_add_up_to_the_stated_one() -> None:
    """However many sets are confirmed, their errors together stay within 1 - confidence (Euler: sum of 1 / k^2)."""
    spends = np.array([1.0 - spent(0.95, k) for k in range(1, 100_001)])
    assert 0.99999 * 0.05 < spends.sum() < 0.05
    assert np.all(np.diff(spends[:1000]) < 0.0)


def test_a_search_that_ends_early_says_how_far_it_came() -> None:
    """With too few screens the answer comes by gain, conforms, and is held against the cheapest set left."""
    for seed in range(12):
        measures, judge, target = design(seed, 12)
        full = cheapest(measures, judge, target=target, confidence=0.95, effort=THOROUGH)
        short = cheapest(measures, judge, target=target, confidence=0.95, effort=Effort(screens=2))
        if full.answer is None or short.answer is None or short.way == "in order of cost":
            continue
        assert not short.proven and short.cheapest_left is not None
        assert judge.share(short.answer.chosen) >= target
        assert short.cheapest_left <= full.answer.made + 1e-9
        assert full.answer.good.value <= short.answer.good.value + 1e-12
        return
    raise AssertionError("no design ended early")


def test_the_path_goes_from_today_to_the_answer() -> None:
    """Each step adds one measure of the answer, that with which the yield is highest."""
    for seed in range(12):
        measures, judge, target = design(seed)
        found = cheapest(measures, judge, target=target, confidence=0.95, effort=THOROUGH)
        if found.answer is None or len(found.answer.chosen) < 2:
            continue
        steps = [set(each.chosen) for each in found.path]
        assert steps[0] == set() and steps[-1] == set(found.answer.chosen)
        for before, after in itertools.pairwise(steps):
            assert len(after - before) == 1 and before < after
            nexts = [tuple(sorted(before | {k})) for k in set(found.answer.chosen) - before]
            best = max(judge.share(c) for c in nexts if judge.times(c) is not None)
            assert judge.share(tuple(sorted(after))) == pytest.approx(best)


@pytest.mark.parametrize(
    ("limit", "share", "hour", "unit"),
    [
        (0.06, 0.95, 400.0, 1.0),  # parts are cheaper than the station
        (0.06, 0.95, 20.0, 1.0),  # the station is cheaper than parts
        (0.10, 0.95, 400.0, 1.0),  # one better part suffices
        (0.10, 0.90, 400.0, 30.0),  # scrap of a dear unit pays for a better part than is required
    ],
)
def test_the_engine_finds_the_set_of_the_enumeration(
    limit: float, share: float, hour: float, unit: float
) -> None:
    """Through the engine the cheapest set is that of all sets with their yields by quadrature."""
    case = gain_case(limit, share)
    measures = read_measures(file_of(hour, unit), case)
    found = cheapest(measures, Engine(case, measures, workers=1), target=share, confidence=0.95)
    seconds = seconds_per_unit(case.calibrations[1], Station(), 100)
    costs: dict[tuple[str, ...], float] = {}
    for sensor, resistor, calibrated in itertools.product(SENSORS, RESISTORS, (False, True)):
        reached = 1.0 if calibrated else gain_yield(SENSORS[sensor], RESISTORS[resistor], limit)
        made = unit + PRICE_OF[sensor] + PRICE_OF[resistor]
        made += seconds * hour / 3600.0 if calibrated else 0.0
        names = [f"sensor {sensor}"] * bool(sensor) + ["resistor 1 %"] * bool(resistor)
        if reached >= share:
            costs[(*names, *["one point"] * calibrated)] = made / reached
    wanted = min(costs, key=costs.__getitem__)
    assert found.answer is not None and found.answer.names == wanted
    assert found.answer.good.low <= costs[wanted] <= found.answer.good.high
    assert not found.undecided and found.proven


def test_the_promise_of_a_set_holds_for_other_draws() -> None:
    """The lower bound of the answer, drawn with other seeds, lies within its interval and reaches the target."""
    case = gain_case(0.06, 0.95)
    measures = read_measures(file_of(400.0, 1.0), case)
    found = cheapest(measures, Engine(case, measures, workers=1), target=0.95, confidence=0.95).answer
    assert found is not None
    exact = gain_yield(SENSORS["A"], RESISTORS["1 %"], 0.06)
    assert set(found.names) == {"sensor A", "resistor 1 %"} and exact >= 0.95
    for seed in (11, 12):
        again = Engine(gain_case(0.06, 0.95, seed), measures, workers=1).confirm(found.chosen, 0.95)
        assert again.bound.low >= 0.95
        assert again.bound.low <= exact <= again.bound.high


@pytest.mark.parametrize(("above", "decided"), [(0.01, True), (0.001, False)])
def test_an_open_set_is_drawn_on_and_named_where_that_does_not_decide_it(above: float, decided: bool) -> None:
    """A cheap set near the required yield is confirmed by more units where these suffice; else a dearer set is the
    answer, and the cheap one is listed as undecided, as long as its cost of a good unit could be lower."""
    yields = {(): 0.5, (0,): 0.9 + above, (1,): 0.96, (0, 1): 0.97}
    measures = Measures(
        "none", (Measure("cheap", cost=0.1), Measure("dear", cost=0.5)), Prices(unit=1.0, rework=0.1)
    )
    asked: list[tuple[Chosen, int]] = []

    class Blurred:
        """Judge whose intervals narrow with the units."""

        def screen(self, chosen: Chosen) -> Judged:
            return self.judged(chosen, 0.04)

        glance = screen

        def confirm(self, chosen: Chosen, confidence: float, times: int = 1) -> Judged:
            asked.append((chosen, times))
            return self.judged(chosen, 0.02 / times)

        def seconds(self, chosen: Chosen) -> float:
            return 0.0

        def judged(self, chosen: Chosen, half: float) -> Judged:
            share = yields[chosen]
            return Judged(
                *[Estimate(share, share - half, min(share + half, 1.0))] * 2, confidence=0.95, units=1
            )

    found = cheapest(measures, Blurred(), target=0.9, confidence=0.95)
    assert found.answer is not None and ((0,), 4) in asked
    assert found.answer.names == (("cheap",) if decided else ("dear",))
    assert [each.names for each in found.undecided] == ([] if decided else [("cheap",)])
    assert found.verdict == "conforms"


def test_the_worth_of_a_measure_is_its_change_alone_and_in_the_answer() -> None:
    """Yields alone and without a measure are those of the closed form, and their changes the differences."""
    for seed in range(12):
        measures, judge, target = design(seed)
        found = cheapest(measures, judge, target=target, confidence=0.95, effort=THOROUGH)
        if found.answer is None or not found.answer.chosen:
            continue
        for each in found.worth:
            assert each.alone is not None and each.alone_change is not None
            assert each.alone_change.value == pytest.approx(judge.share((each.place,)) - judge.share(()))
            assert (each.without is None) == (each.place not in found.answer.chosen)
            if each.without is not None and each.set_change is not None:
                fewer = tuple(k for k in found.answer.chosen if k != each.place)
                gained = judge.share(found.answer.chosen) - judge.share(fewer)
                assert each.set_change.value == pytest.approx(gained)
