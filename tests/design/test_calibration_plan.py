"""Calibration plans: searched loads and reloads against closed forms, cost, front and promise."""

from __future__ import annotations

import dataclasses
import itertools
import tomllib
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from pad_study import NONE, ONE_POINT, TWO_POINT, errors_of, option_named, pad_case, source_of
from scipy.stats import chi2, norm

import margin
from margin.calibration.cost import seconds_per_unit
from margin.case import Case, read_case
from margin.case.build import nominal_element
from margin.case.loads import calibration_of
from margin.case.tables import CalibrationTable
from margin.case.types import CalibrationSpec
from margin.design.calibration_plan.candidates import (
    Candidate,
    Habits,
    allowed,
    extended,
    name_of,
    positions,
    screened,
    thermometers,
    with_dwell,
)
from margin.design.calibration_plan.front import fronts_of, resolved, undominated
from margin.design.calibration_plan.paste import calibration_text
from margin.design.calibration_plan.positions import improved
from margin.design.calibration_plan.promise import confirmed, joint_confidence, promised
from margin.design.calibration_plan.search import CHOICE_SEED, SEARCH_SEED
from margin.design.calibration_plan.trials import Scored, Trials
from margin.estimates.evaluate import PILOT_SEED
from margin.propagation.calibrated import Bench

Array = NDArray[np.float64]

GAIN = {"sensitivity": "4 uS +/- 10 % (2 sigma)"}
"""A linear pad (exponent 1) whose gain alone differs from unit to unit."""


def linear(
    *options: dict[str, Any],
    limit: str = "2 % of reading",
    units: int = 4000,
    check: Any = 7,
    loads: str = "2 N to 60 N",
    **station: Any,
) -> Case:
    """The linear pad; the station scatters as stated, and nothing else varies."""
    return pad_case(
        *options,
        load={"range": loads, "check": check},
        sensor={**GAIN, **station.pop("sensor", {})},
        requirement={"permissible_error": limit},
        station=station,
        study={"units": units},
    )


def candidate(case: Case, name: str) -> Candidate:
    """An option of the case as a candidate."""
    return Candidate(option_named(case, name), Habits.of(case).dwell)


def test_errors_of_one_point_are_those_of_the_closed_form() -> None:
    """Gain error calibrated out by one load L in n placements leaves, to first order, the relative variance
    s^2 (1 + 1/n) + (r / L)^2 / n: s the scatter of a placement of the pad, in use and at the station, r (N) that of
    the reference (derivation: reading in use over the mean reading at L, each 1 plus small zero-mean parts)."""
    s, r, load, n = 0.004, 0.1, 30.0, 3
    case = linear({**ONE_POINT, "reloads": n}, sensor={"reload_scatter": "0.4 %"}, reference_scatter="0.1 N")
    errors = errors_of(case)["one-point"][:, 0, 0, 0, :] / np.asarray(case.check_loads)
    variance = s**2 * (1.0 + 1.0 / n) + (r / load) ** 2 / n
    low, high = (chi2.ppf(p, len(errors) - 1) / (len(errors) - 1) for p in (1e-5, 1.0 - 1e-5))
    ratio = errors.var(axis=0, ddof=1) / variance
    assert np.all((low < ratio) & (ratio < high)), ratio
    assert np.all(np.abs(errors.mean(axis=0)) < 4.5 * np.sqrt(variance / len(errors)))


def test_errors_of_two_points_are_those_of_the_closed_form() -> None:
    """A line through y1 and y2, each with scatter r at the station, has at load y the variance
    r^2 ((y - y2)^2 + (y - y1)^2) / (y2 - y1)^2 (propagation of the two ordinates through Lagrange's weights)."""
    r, (y1, y2) = 0.1, (6.0, 54.0)
    case = linear(TWO_POINT, reference_scatter="0.1 N")
    errors = errors_of(case)["two-point"][:, 0, 0, 0, :]
    y = np.asarray(case.check_loads)
    variance = r**2 * ((y - y2) ** 2 + (y - y1) ** 2) / (y2 - y1) ** 2
    low, high = (chi2.ppf(p, len(errors) - 1) / (len(errors) - 1) for p in (1e-5, 1.0 - 1e-5))
    ratio = errors.var(axis=0, ddof=1) / variance
    assert np.all((low < ratio) & (ratio < high)), ratio


def test_averaging_reloads_divides_the_variance_of_reloading_and_nothing_else() -> None:
    """The station's mean over n placements is the mean of the first n single ones, its variance about the unit's own
    signal s^2 / n; without scatter of placements the errors are the same for every n, whatever else varies."""
    s, counts = 0.01, (1, 2, 4)
    options = [{**ONE_POINT, "name": f"n{n}", "reloads": n} for n in counts]
    case = linear(*options, sensor={"reload_scatter": "1 %"})
    model, source, count = source_of(case)
    bench = Bench(case, source, model.nominal, count)
    codes, _ = bench._codes("finished product", 0.0)
    views = {n: bench.view(option_named(case, f"n{n}")).codes[:, 0, 0, 0, 0] for n in counts}
    for n in counts:
        np.testing.assert_allclose(views[n], codes[:, 0, :n, 0, 0].mean(axis=1), rtol=1e-14)
    still = dataclasses.replace(case, elements=linear(NONE).elements)
    _, source, _ = source_of(still)
    own = Bench(still, source, model.nominal, count).view(option_named(case, "n1")).codes[:, 0, 0, 0, 0]
    low, high = (chi2.ppf(p, count) / count for p in (1e-5, 1.0 - 1e-5))
    for n in counts:
        ratio = np.mean((views[n] / own - 1.0) ** 2) / (s**2 / n)
        assert low < ratio < high, (n, ratio)
    rest = linear(*options, reference_gain="+/- 1 %", temperature="25 degC +/- 5 K")
    found = errors_of(rest)
    for n in counts[1:]:
        np.testing.assert_allclose(found[f"n{n}"], found["n1"], rtol=0.0, atol=1e-12)


def best_loads(case: Case, kind: str, lattice: tuple[float, ...]) -> tuple[float, ...]:
    """Loads that the coordinate search finds for an option of the case."""
    trials = Trials(case, 4000, 11, workers=1)
    (found,) = improved([candidate(case, kind)], lattice, trials.of)
    return found.candidate.spec.loads


def test_the_best_single_load_under_constant_scatter_is_the_highest() -> None:
    """The relative variance (r / L)^2 falls with L: the search goes to the top of the range."""
    case = linear(ONE_POINT, reference_scatter="0.4 N", limit="1 % of reading")
    assert best_loads(case, "one-point", positions(case)) == (60.0,)


def test_the_best_two_loads_under_constant_scatter_are_the_ends() -> None:
    """For a straight line with errors of equal variance the design on two points at the ends of the range is
    D-optimal, and by the equivalence theorem least in its largest variance (Kiefer and Wolfowitz, 'The equivalence of
    two extremum problems', 1960; Atkinson and Donev, 'Optimum Experimental Designs'; both from memory). The closed
    form of the variance agrees, by enumeration, and the search finds the ends."""
    case = linear(TWO_POINT, reference_scatter="0.4 N", limit="1 N")
    lattice = positions(case)
    y = np.asarray(case.check_loads)

    def largest(pair: tuple[float, float]) -> float:
        low, high = pair
        return float(np.max(((y - high) ** 2 + (y - low) ** 2) / (high - low) ** 2))

    assert min(itertools.combinations(lattice, 2), key=largest) == (2.0, 60.0)
    assert best_loads(case, "two-point", lattice) == (2.0, 60.0)


def test_the_best_two_loads_under_proportional_scatter_are_the_ends_too() -> None:
    """With scatter s y at load y the relative error of the line is, in u = 1 / y, a line through two points of equal
    variance s^2: alpha + beta y over y = beta + alpha u. The theorem above holds in u, whose ends are those of y.
    For an absolute limit the variance at y is s^2 (y1^2 (y - y2)^2 + y2^2 (y - y1)^2) / (y2 - y1)^2; it is s^2 b^2
    at the top b whatever y1 where y2 = b, and more where y2 < b: the top load stays at the end."""
    option = {**TWO_POINT, "loads": ["25 N", "50 N"]}
    case = linear(option, sensor={"reload_scatter": "1 %"}, limit="2 % of reading", loads="20 N to 60 N")
    lattice = positions(case)
    y = np.asarray(case.check_loads)

    def variance(pair: tuple[float, float]) -> Array:
        low, high = pair
        return np.asarray((low**2 * (y - high) ** 2 + high**2 * (y - low) ** 2) / (high - low) ** 2)

    pairs = list(itertools.combinations(lattice, 2))
    assert min(pairs, key=lambda pair: float(np.max(variance(pair) / y**2))) == (20.0, 60.0)
    largest = {pair: float(np.max(variance(pair))) for pair in pairs}
    best = min(largest.values())
    assert best == pytest.approx(60.0**2)
    assert {high for (_, high), value in largest.items() if value <= best * (1.0 + 1e-12)} == {60.0}
    low, high = best_loads(case, "two-point", lattice)
    # the last two positions differ by less than the draws resolve
    assert low == 20.0 and high >= lattice[-3]


CURVED: dict[str, Any] = {
    "sensor": {
        "sensitivity": "4 uS +/- 20 % (2 sigma)", "exponent": "0.85 +/- 0.05 (2 sigma)", "reload_scatter": "1 %",
    },
    "requirement": {"permissible_error": "larger of 4 % of reading and 0.4 N"},
    "station": {"reference_scatter": "0.1 N"},
}  # fmt: skip


@pytest.mark.parametrize(
    ("option", "count"),
    [
        ({**TWO_POINT, "space": "logarithm"}, 2),
        ({"kind": "multi-point", "loads": ["4 N", "20 N", "50 N"]}, 3),
    ],
)
def test_coordinate_search_comes_close_to_full_enumeration(option: dict[str, Any], count: int) -> None:
    """On eight positions, the yield that the search finds is at most 0.2 points below that of the best of all
    layouts on the same draws (28 pairs, 56 triples)."""
    case = pad_case({**option, "name": "it"}, **CURVED, study={"units": 4000})
    lattice = (2.0, 4.0, 8.0, 15.0, 25.0, 35.0, 48.0, 60.0)
    trials = Trials(case, 4000, 5, workers=1)
    start = candidate(case, "it")
    every = trials.of(start.at(loads) for loads in itertools.combinations(lattice, count))
    (found,) = improved([start], lattice, trials.of, first_step=2)
    best = max(every, key=lambda each: each.merit)
    assert best.reached - 0.002 <= found.reached <= best.reached


def test_a_trial_does_not_depend_on_what_is_tried_beside_it() -> None:
    """A candidate alone, and in a batch with other loads, reloads and branches, has the same yields."""
    case = pad_case(ONE_POINT, **CURVED, use={"direction": "either"}, study={"units": 500})
    one = candidate(case, "one-point")
    more = [each for start in screened(case, positions(case), (False,)) for each in extended(case, start)]
    (alone,) = Trials(case, 500, 3, workers=1).of([one])
    beside = Trials(case, 500, 3, workers=1).of([*more[:40], one])[-1]
    np.testing.assert_array_equal(alone.shares, beside.shares)
    assert alone.ratio == beside.ratio and alone.seconds == beside.seconds


def test_time_is_that_of_the_cost_of_a_calibration() -> None:
    """Each candidate takes what `seconds_per_unit` says of it at its dwell: handling, then for each placement loading,
    dwell and samples (counted out by hand for one of them)."""
    case = pad_case(
        ONE_POINT, station={"seconds_per_load": "4 s", "seconds_per_unit": "15 s", "dwell": "1 s"}
    )
    for each in screened(case, positions(case), (False, True)):
        longer = dataclasses.replace(each, dwell=2.5)
        for one in (each, longer):
            station = nominal_element(with_dwell(case, one.dwell).elements["station"])
            assert one.seconds(case) == seconds_per_unit(one.spec, station, case.study.units_per_lot)
    spec = CalibrationSpec("it", "two-point", loads=(5.0, 50.0), reloads=3, direction="both", tare=True)
    assert Candidate(spec, 2.5).seconds(case) == pytest.approx(15.0 + 6.6 * (3 + 3 * 3))


def scored(seconds: float, shares: list[float], thermometer: bool = False, ratio: float = 1.0) -> Scored:
    """A score made up for the test."""
    spec = CalibrationSpec("it", "one-point", loads=(seconds + 1.0,), temperature_correction=thermometer)
    return Scored(Candidate(spec, 1.0), seconds, np.asarray(shares), ratio)


@given(st.lists(st.tuples(st.integers(0, 20), st.integers(0, 100), st.booleans()), min_size=1, max_size=30))
def test_a_front_rises_with_time_and_leaves_nothing_better_out(found: list[tuple[int, int, bool]]) -> None:
    """Seconds and yields of a front both rise, and no candidate left out is as quick and better."""
    candidates = [scored(float(s), [y / 100.0] * 3, t) for s, y, t in found]
    front = undominated(candidates, most=1000)
    assert all(a.seconds < b.seconds and a.merit < b.merit for a, b in itertools.pairwise(front))
    for each in candidates:
        assert any(kept.seconds <= each.seconds and kept.merit >= each.merit for kept in front)
    short = undominated(candidates, most=4)
    assert len(short) <= 4 and short[0] in front and short[-1] == front[-1]


def test_a_longer_plan_must_gain_more_than_the_draws_leave_open() -> None:
    """A gain within the interval of the paired difference is not worth the time; a thermometer must gain over every
    plan without one that is as quick."""
    base = [0.80, 0.90, 0.85, 0.95]
    noisy = [0.83, 0.86, 0.90, 0.92]
    sure = [y + 0.02 for y in base]
    kept = resolved([scored(1.0, base), scored(2.0, noisy), scored(3.0, sure)], 0.95)
    assert [each.seconds for each in kept] == [1.0, 3.0]
    same, better = scored(1.0, base, True), scored(2.0, [y + 0.05 for y in base], True)
    fronts = fronts_of([scored(1.0, base), scored(3.0, sure), same, better], 0.95)
    assert [[each.seconds for each in front] for front in fronts] == [[1.0, 3.0], [2.0]]


def test_search_choice_and_promise_share_no_draws() -> None:
    """Seeds of search, choice, pilot and promise differ whatever the seed of the case."""
    assert len({0, SEARCH_SEED, CHOICE_SEED, PILOT_SEED}) == 4
    assert all(seed < 2**63 for seed in (SEARCH_SEED, CHOICE_SEED, PILOT_SEED))


def test_the_best_of_many_is_biased_and_its_promise_is_not() -> None:
    """Under proportional scatter alone every load serves one-point calibration alike, with the yield
    2 Phi(p / (s sqrt 2)) - 1 at one check load (closed form above, n = 1). The best of 33 loads on few units lies above
    it, the winner's curse; the yield promised on fresh draws has it in its interval."""
    s, p = 0.01, 0.025
    case = linear(
        ONE_POINT, sensor={"reload_scatter": "1 %"}, limit="2.5 % of reading", check=["30 N"], units=20_000
    )
    exact = 2.0 * norm.cdf(p / (s * np.sqrt(2.0))) - 1.0
    trials = Trials(case, 1000, 7, workers=1)
    start = candidate(case, "one-point")
    best = max(trials.of(start.at((load,)) for load in positions(case)), key=lambda each: each.merit)
    assert best.reached > exact + 0.005
    (plan,) = promised(case, [best.candidate], units=20_000, workers=1)
    assert plan.reached.low <= exact <= plan.reached.high


def test_unconfirmed_plans_are_left_out_so_that_the_front_never_falls() -> None:
    """A plan whose fresh yield is not above a quicker one's with no more parts is left out, and named."""
    case = linear(ONE_POINT, sensor={"reload_scatter": "1 %"}, reference_scatter="0.5 N", units=2000)
    start = candidate(case, "one-point")
    plans = promised(case, [start.at((60.0,)), start.at((2.0,))], units=2000, workers=1)
    later = dataclasses.replace(plans[1], seconds=plans[0].seconds + 1.0)
    kept, dropped = confirmed([plans[0], later])
    assert kept == (plans[0],) and dropped == (later.name,)


def test_intervals_hold_together() -> None:
    """Bonferroni: five intervals of 99 % hold together at 95 %."""
    assert joint_confidence(0.95, 5) == pytest.approx(0.99)
    assert joint_confidence(0.95, 1) == 0.95


@given(
    st.floats(0.0, 50.0).map(lambda x: float(f"{x:.3g}")),
    st.floats(0.05, 5000.0).map(lambda x: float(f"{x:.3g}")),
)
def test_positions_span_the_range(low: float, span: float) -> None:
    """Positions ascend from the lowest to the highest load of any range; a gain or logarithm has none at 0."""
    case = dataclasses.replace(pad_case(NONE), load_low=low, load_high=low + span)
    lattice = positions(case)
    assert lattice[0] == low and lattice[-1] == low + span
    assert all(a < b for a, b in itertools.pairwise(lattice))
    assert len(lattice) >= 20
    spec = CalibrationSpec("it", "one-point")
    assert all(load > 0.0 for load in allowed(spec, lattice))


def test_every_candidate_is_written_and_read_back() -> None:
    """The texts of all candidates, pasted into the case, give the calibrations that were meant."""
    case = pad_case(ONE_POINT, use={"direction": "either"})
    every = [
        each
        for start in screened(case, positions(case), (False, True))
        for each in extended(case, dataclasses.replace(start, dwell=2.0))
    ]
    assert max(len(name_of(each, 1.0)) for each in every) <= 66
    specs = [each.named(f"{n} {name_of(each, 1.0)}"[:80]).spec for n, each in enumerate(every)]
    tables = tomllib.loads("".join(calibration_text(spec) for spec in specs))["calibration"]
    read = [calibration_of(CalibrationTable(**each), case.load_low, case.load_high) for each in tables]
    assert read == specs


def read_back(case: Case, text: str) -> Case:
    """The case with a table pasted in place of its options."""
    return read_case({**case.source, "calibration": tomllib.loads(text)["calibration"]})


def test_a_thermometer_is_tried_only_where_something_varies_with_temperature() -> None:
    """Without any effect of temperature there is nothing to correct; a wanted value is tried alone."""
    still = pad_case(ONE_POINT)
    warm = pad_case(ONE_POINT, sensor={"temperature_coefficient": "0.1 %/K +/- 0.05 %/K"})
    assert thermometers(still, None) == (False,)
    assert thermometers(warm, None) == (False, True)
    assert thermometers(warm, False) == (False,)


def test_a_plan_found_keeps_its_promise_with_another_seed() -> None:
    """The plan pasted into its case, estimated with another seed, has a yield and a verdict that agree with what was
    promised; its front rises; within fewer seconds the plan is no longer than that."""
    wide = {"permissible_error": "larger of 7 % of reading and 0.7 N"}
    case = pad_case(NONE, **{**CURVED, "requirement": wide}, study={"units": 1500})
    found = margin.plan(case, units=1500, workers=1)
    table = found.plans
    assert table["seconds"].is_monotonic_increasing and table["yield"].is_monotonic_increasing
    assert found.verdict == "conforms"
    chosen = found.found.chosen
    pasted = read_back(case, found.text)
    again = margin.estimate(margin.change(pasted, {"study.seed": 99}), budget=False, workers=1)
    row = again.yields.iloc[0]
    width = (chosen.reached.high - chosen.reached.low + row["yield_high"] - row["yield_low"]) / 2.0
    assert abs(row["yield"] - chosen.reached.value) <= width
    assert again.verdict == "conforms"
    assert row["option"] == chosen.name
    quick = margin.plan(case, seconds=chosen.seconds - 0.5, units=500, workers=1)
    assert quick.plans["seconds"].max() <= chosen.seconds - 0.5
