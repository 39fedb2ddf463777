"""Drawing until the verdict is decided: what is spent at each look, when a study ends, and what it says then."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from pad_study import NONE, ONE_POINT, TWO_POINT, pad_case
from scipy import stats
from scipy.special import ndtr

from margin.backends.run import run
from margin.case import Case
from margin.estimates.evaluate import evaluate
from margin.estimates.findings import computed
from margin.estimates.looks import (
    confidence_at,
    in_order_of_effort,
    inner_size,
    is_decided,
    units_to_decide,
)
from margin.estimates.yield_result import Estimate, Verdict, Yield
from margin.estimates.yields import yield_of
from margin.messages.sentences import said
from margin.propagation.model import model_of
from margin.propagation.plan import (
    CELLS,
    FIRST_OUTER,
    LEAST_OUTER,
    LOT_UNITS,
    growing_plan,
    pilot_plan,
    plan_of,
)

UNIT, STATION = 0.02, 0.006


def gain_case(limit: float, **study: Any) -> Case:
    """A gain of the unit and one of the station that calibrates nothing: with `none` the error is that of both."""
    return pad_case(
        NONE,
        load={"check": ["60 N"]},
        requirement={"permissible_error": f"{100 * limit} % of reading", "yield": "90 %"},
        sensor={
            "sensitivity": f"4 uS +/- {100 * UNIT} % (1 sigma) per unit, +/- {100 * STATION} % (1 sigma) per common"
        },
        study={"draw": "until decided", "outer": None, **study},
    )


def exact_bound(limit: float) -> float:
    """5 % point of the yield over the shared gain, which enters twice at most 1.96 of its standard deviations away;
    the product of both is left out, 1e-4 of the error."""
    shift = STATION * stats.norm.ppf(0.975)
    return float(ndtr((limit - shift) / UNIT) - ndtr((-limit - shift) / UNIT))


def test_all_looks_together_stay_within_the_error() -> None:
    """Each look spends half of what is left of the error; a study of fixed size spends it at once."""
    case = gain_case(0.05, units=200_000)
    plan = growing_plan(case, 64)
    assert len(plan.looks) > 3
    spent = [1.0 - confidence_at(case, plan.upto(look)) for look in range(len(plan.looks))]
    assert spent[0] == pytest.approx(0.025)
    assert np.array(spent[1:]) == pytest.approx(0.5 * np.array(spent[:-1]))
    assert sum(spent) < 0.05
    fixed = dataclasses.replace(case, study=dataclasses.replace(case.study, draw="all units"))
    assert confidence_at(fixed, plan_of(fixed)) == 0.95


def test_a_clear_case_ends_at_the_first_look() -> None:
    """Where the lower bound lies far from the target, either side of it, one look suffices."""
    for limit, verdict in ((0.08, "conforms"), (0.02, "does not conform")):
        found = evaluate(gain_case(limit, units=1_000_000), with_budget=False)
        assert found.verdict == verdict
        assert found.looks == 1 and found.outer == FIRST_OUTER


def test_a_close_case_spends_its_units_and_says_so() -> None:
    """Where the exact lower bound is the target, the study draws its units and is undecided; it says what is open."""
    limit = 0.05
    case = gain_case(limit, units=400_000)
    need = dataclasses.replace(case.requirement, target=exact_bound(limit))
    found = evaluate(dataclasses.replace(case, requirement=need), with_budget=False)
    assert found.verdict == "undecided" and not found.conforms
    assert found.looks > 1 and found.units >= 0.95 * case.study.units
    assert found.recommendation.option is None and found.recommendation.undecided == ("none",)
    assert said(found.recommendation.obstacles[0]).startswith("undecided: 'none'")


def test_verdicts_are_true_over_seeds() -> None:
    """With a target 2.5 % either side of the exact lower bound no study of 40 decides wrongly, and most decide."""
    limit = 0.05
    decided = 0
    for seed in range(20):
        for shift, wrong in ((0.025, "conforms"), (-0.025, "does not conform")):
            case = gain_case(limit, units=100_000, seed=seed)
            need = dataclasses.replace(case.requirement, target=exact_bound(limit) + shift)
            found = evaluate(dataclasses.replace(case, requirement=need), workers=1, with_budget=False)
            assert found.verdict != wrong
            decided += found.verdict != "undecided"
    assert decided >= 10


def test_workers_and_blocks_change_no_bit() -> None:
    """A study that draws on ends at the same look with the same yields, however it is cut."""
    case = gain_case(0.05, units=60_000)
    first = evaluate(case, workers=1, with_budget=False)
    for workers, block in ((2, 100), (3, 5000)):
        other = evaluate(case, workers=workers, block=block, with_budget=False)
        assert (other.units, other.looks, other.verdict) == (first.units, first.looks, first.verdict)
        assert other.options[0].yields == first.options[0].yields


def test_what_a_look_adds_leaves_the_draws_before_it() -> None:
    """The counts of the first look are those of a study that was to have one look only."""
    case = gain_case(0.05, units=80_000)
    plan = growing_plan(case, 64)
    short = run(case, plan=plan.upto(0), workers=1)
    stopped = run(case, plan=plan, enough=lambda drawn: True, workers=2)
    whole = run(case, plan=plan, workers=2)
    assert np.array_equal(short.tallies["none"].within, stopped.tallies["none"].within)
    first = short.plan.frame.groups
    assert np.array_equal(whole.tallies["none"].within[:first], short.tallies["none"].within)
    assert whole.plan.frame.units > short.plan.frame.units


@pytest.mark.parametrize(
    ("verdicts", "decided"),
    [
        (("does not conform", "conforms", "undecided"), True),
        (("undecided", "conforms", "conforms"), False),
        (("does not conform", "does not conform", "undecided"), False),
        (("does not conform", "does not conform", "does not conform"), True),
        (("conforms", "undecided", "undecided"), True),
    ],
)
def test_only_what_could_be_recommended_need_be_decided(
    verdicts: tuple[Verdict, Verdict, Verdict], decided: bool
) -> None:
    """A study is decided when nothing cheaper than the first option that conforms is open."""
    case = pad_case(NONE, ONE_POINT, TWO_POINT)
    names = [spec.name for spec in in_order_of_effort(case)]
    assert names == ["none", "one-point", "two-point"]
    assert is_decided(case, dict(zip(names, verdicts, strict=True))) == decided


def test_what_it_would_take() -> None:
    """Four times the units halve the interval; a bound at the target cannot be decided."""
    found = Yield(Estimate(0.97, 0.96, 0.98), (0.93, 1.0), None, Estimate(0.93, 0.89, 0.97))
    assert units_to_decide(found, 0.91, 10_000) == 40_000
    assert units_to_decide(found, 0.95, 10_000) == 40_000
    assert units_to_decide(found, 0.93, 10_000) is None
    assert units_to_decide(found, 0.9299, 10_000) is None


def test_units_of_an_outer_draw_follow_the_noise() -> None:
    """Where the scatter between outer draws is small against the noise of counting, an outer draw gets more units."""
    sizes = []
    for station in (0.002, 0.02):
        case = pad_case(
            NONE,
            load={"check": ["60 N"]},
            requirement={"permissible_error": "5 % of reading", "yield": "90 %"},
            sensor={
                "sensitivity": f"4 uS +/- {100 * UNIT} % (1 sigma) per unit, +/- {100 * station} % (1 sigma) per common"
            },
            study={"outer": None, "units": 1_000_000},
        )
        need = dataclasses.replace(case.requirement, target=0.985 if station < 0.01 else 0.9)
        case = dataclasses.replace(case, requirement=need)
        sizes.append(inner_size(run(case, plan=pilot_plan(case), workers=1)))
    assert sizes[0] > sizes[1]
    assert all(size & (size - 1) == 0 for size in sizes)


def test_few_units_are_raised_with_a_word() -> None:
    """A study that may draw 200 units draws the fewest that tell a lower bound, and says so."""
    found = evaluate(gain_case(0.08, units=200), with_budget=False)
    assert found.outer >= LEAST_OUTER
    assert found.units > 1.5 * 200
    assert "200 asked: too few for a bound" in said(computed(found))


def test_stated_outer_draws_with_too_few_units_are_refused() -> None:
    """Outer draws that a case states are a design of its own: too few units in each are an error, with the mend."""
    with pytest.raises(
        ValueError, match=r"units = 200 leaves 2 units to each of 100 outer draws.*3200 in all"
    ):
        evaluate(gain_case(0.08, units=200, outer=100), with_budget=False)


def test_few_units_of_many_lots() -> None:
    """The size of a production lot does not set how many units are drawn of it, nor what its yield is taken to be."""
    found = {}
    for per_lot in (50, 5000):
        case = pad_case(
            NONE,
            sensor={"sensitivity": "4 uS +/- 2 % (1 sigma) per unit, +/- 2 % (1 sigma) per lot"},
            study={"units": 4000, "units_per_lot": per_lot, "draw": "all units"},
        )
        frame = plan_of(case).frame
        assert frame.grouping.units_per_lot == LOT_UNITS
        assert frame.grouping.points == "random"
        found[per_lot] = evaluate(case, with_budget=False).options[0].yields
    assert found[50] == found[5000]


@pytest.mark.parametrize("skewed", [False, True])
def test_intervals_of_lots_cover(skewed: bool) -> None:
    """The interval of a yield over lots holds the exact one in 90 of 100 studies of 25 lots or more, and lies wholly
    above it in at most 6, for normal and for skewed lots (exact by a sum over many lots)."""
    spread = (
        {"level": "lot", "shape": "gamma", "exponent": 0.5, "scale": 4, "unit": "%"}
        if skewed
        else {"level": "lot", "shape": "normal", "sd": 2, "unit": "%"}
    )
    unit = {"level": "unit", "shape": "normal", "sd": 2, "unit": "%"}
    case = pad_case(
        NONE,
        load={"check": ["60 N"]},
        sensor={"sensitivity": {"value": "4 uS", "spread": [unit, spread]}},
        study={"units": 200, "draw": "all units", "points": "random"},
    )
    many = run(
        dataclasses.replace(case, study=dataclasses.replace(case.study, units=400_000, seed=99)), workers=2
    )
    truth = many.tallies["none"].within[:, 2].sum() / many.plan.frame.units
    model, plan = model_of(case), plan_of(case)
    confidence = confidence_at(case, plan)
    held = above = 0
    for seed in range(100):
        drawn = run(case, model=dataclasses.replace(model, seed=seed), plan=plan, workers=1)
        sampled = yield_of(plan.frame, drawn.tallies["none"], case.requirement.counts, confidence).sampled
        held += sampled.low <= truth <= sampled.high
        above += sampled.low > truth
    assert held >= 90
    assert above <= 6


def test_cells_make_up_an_outer_draw() -> None:
    """Outer draws are counted in equal cells of whole lots, that add up to their units."""
    case = pad_case(
        NONE,
        sensor={"sensitivity": "4 uS +/- 2 % per lot, +/- 2 % per common"},
        study={"units": 13_000, "outer": 100},
    )
    frame = plan_of(case).frame
    assert frame.grouping.cells == CELLS
    assert frame.grouping.units_per_cell % frame.grouping.units_per_lot == 0
    assert frame.units == frame.outer * frame.grouping.units_per_draw >= 13_000
    assert frame.groups == CELLS * frame.outer
