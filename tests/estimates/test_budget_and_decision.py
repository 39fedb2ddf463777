"""What each cause does when frozen or halved, and which calibration follows from it all."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from pad_study import NONE, ONE_POINT, TWO_POINT, pad_case

from margin.estimates.budget import budget_of
from margin.estimates.decision import recommend
from margin.estimates.evaluate import evaluate
from margin.estimates.results import DesignCheck, OptionResult, Results
from margin.estimates.yield_result import Estimate, Yield
from margin.messages.sentences import said
from margin.propagation.model import model_of


def lines(frame: pd.DataFrame, option: str, change: str = "frozen") -> pd.DataFrame:
    """Rows of one option and change by factor."""
    chosen = frame[(frame["option"] == option) & (frame["change"] == change)]
    return chosen.set_index("factor")


def test_an_inert_cause_changes_nothing() -> None:
    """A loop width that the loads in use never show is frozen to exactly no change, 'below resolution', and
    ranks behind what matters."""
    case = pad_case(
        NONE,
        sensor={"sensitivity": "4 uS +/- 10 %", "hysteresis": "2 % +/- 1 %"},
        circuit={"feedback": "60 kohm +/- 2 %"},
        study={"units": 1000},
    )
    for change in ("frozen", "halved"):
        found = lines(budget_of(model_of(case), workers=1), "none", change)
        inert = found.loc["sensor.hysteresis per unit"]
        assert inert["error_change_N"] == inert["error_change_N_low"] == inert["error_change_N_high"] == 0.0
        assert inert["yield_change"] == 0.0
        assert inert["verdict"] == "below resolution"
        assert found.loc["sensor.sensitivity per unit", "rank"] == 1
        assert found.loc["sensor.sensitivity per unit", "verdict"] == "resolved"
        assert inert["rank"] > 1


@pytest.mark.parametrize("seed", [1, 2, 3, 4, 5])
def test_rounding_is_no_resolution(seed: int) -> None:
    """Causes that a calibration or a ratiometric converter removes to the last bits are below resolution, and
    share one rank: the rounding of the computer is no effect."""
    case = pad_case(
        ONE_POINT,
        TWO_POINT,
        sensor={"sensitivity": "4 uS +/- 10 %"},
        circuit={"feedback": "60 kohm +/- 2 %", "reference": "1.2 V +/- 3 %"},
        study={"units": 200, "seed": seed},
    )
    frame = budget_of(model_of(case), workers=1)
    assert set(frame["verdict"]) == {"below resolution"}
    assert set(frame["rank"]) == {1}


def test_equal_causes_tie() -> None:
    """Two causes of one size share a rank, the third ranks behind both."""
    case = pad_case(
        NONE,
        sensor={"sensitivity": "4 uS +/- 3 %"},
        circuit={"feedback": "60 kohm +/- 3 %"},
        converter={"bits": 24, "gain_error": "0 +/- 0.02 %"},
        study={"units": 4000},
    )
    found = lines(budget_of(model_of(case), workers=1), "none")["rank"]
    assert found["sensor.sensitivity per unit"] == found["circuit.feedback per unit"] == 1
    assert found["converter.gain_error per unit"] == 3


def test_the_only_cause_frozen_leaves_nothing_and_halved_half() -> None:
    """With one linear cause, freezing it leaves no error and halving it half of it (closed form)."""
    case = pad_case(NONE, sensor={"sensitivity": "4 uS +/- 10 %"})
    frame = budget_of(model_of(case), workers=2)
    frozen, halved = (lines(frame, "none", c).iloc[0] for c in ("frozen", "halved"))
    whole = halved["error_N"] - halved["error_change_N"]
    assert frozen["error_N"] == pytest.approx(0.0, abs=1e-9)
    assert frozen["yield"] == 1.0
    assert halved["error_N"] == pytest.approx(0.5 * whole, rel=1e-6)
    assert halved["yield"] == 1.0
    assert frozen["error_change_N"] == pytest.approx(-whole)


def test_noise_and_reload_scatter_are_frozen_by_their_size() -> None:
    """Draws without a size of their own are frozen and halved through the quantity that scales them."""
    case = pad_case(ONE_POINT, sensor={"reload_scatter": "2 %"}, converter={"bits": 24, "noise": 50_000})
    frame = budget_of(model_of(case), workers=1)
    found = lines(frame, "one-point")
    assert set(found.index) == {"sensor.reload_scatter (each loading)", "converter.noise (each reading)"}
    assert (found["error_change_N"] < -0.1).all()
    assert set(found["verdict"]) == {"resolved"}


def test_what_is_not_known_is_a_cause_of_its_own() -> None:
    """Mean and spread known from few units make a line at level common, beside the spread itself."""
    case = pad_case(
        NONE,
        sensor={"sensitivity": "4 uS +/- 6 % (2 sigma, from 5 units)"},
        study={"units": 1000, "outer": None},
    )
    found = lines(budget_of(model_of(case), workers=1), "none")
    known = found.loc["sensor.sensitivity per unit (from 5 units)"]
    assert known["level"] == "common"
    assert known["error_change_N"] < 0.0
    assert found["level"].tolist() == ["unit", "common"]


@pytest.mark.parametrize(("outer", "per_lot"), [(1, 100), (3, 100), (1, 1000), (9, 100)])
def test_fewer_lots_than_sections(outer: int, per_lot: int) -> None:
    """A study of a few large lots, or of what would be a single one, has a budget and intervals like any
    other."""
    case = pad_case(
        ONE_POINT,
        sensor={"sensitivity": "4 uS +/- 5 % per unit, +/- 5 % per lot", "reload_scatter": "2 %"},
        station={"reference_gain": "+/- 1 %"},
        study={"units": 300, "units_per_lot": per_lot, "outer": outer},
    )
    result = evaluate(case, workers=2)
    numbers = result.budget.select_dtypes("number").to_numpy()
    assert np.all(np.isfinite(numbers))
    found = result.options[0]
    assert found.errors.drop(columns="p95_abs_reading").notna().all(axis=None)
    assert np.isfinite([found.largest.low, found.largest.value, found.largest.high]).all()


@pytest.fixture(scope="module")
def study() -> Results:
    """A study with three options, the parts of which the tests replace."""
    case = pad_case(
        NONE,
        ONE_POINT,
        TWO_POINT,
        sensor={"sensitivity": "4 uS +/- 10 %", "reload_scatter": "2.5 %"},
        requirement={"yield": "90 %"},
        study={"units": 400},
    )
    return evaluate(case, workers=1)


def option(result: Results, name: str, low: float, seconds: float, **changes: object) -> OptionResult:
    """The option with another lower bound and cost."""
    found = result.option(name)
    target = result.case.requirement.target
    high = 1.0 if low >= target else min(low + 0.01, target - 0.001)
    yields = {**found.yields, found.decisive: Yield(Estimate(0.5 * (low + high), low, high), None)}
    return dataclasses.replace(
        found, yields=yields, seconds=seconds, verdict=yields[found.decisive].verdict(target), **changes
    )


def test_the_least_effort_that_conforms_is_recommended(study: Results) -> None:
    """Of the options whose lower bound reaches the target the one with the least time is named, not the one
    with the highest yield."""
    options = (
        option(study, "none", 0.5, 0.0),
        option(study, "one-point", 0.91, 30.0),
        option(study, "two-point", 0.99, 40.0),
    )
    found = recommend(study.case, options, study.budget, (), study.units)
    assert found.option == "one-point"
    reason = said(found.reason).replace("\N{NO-BREAK SPACE}", " ")
    assert "30 s" in reason and "90 %" in reason
    assert found.obstacles == ()


@pytest.mark.parametrize(
    ("known", "told"),
    [
        (Estimate(0.9607, 0.9481, 0.9707), "96 % (94 to 98 %)"),
        (Estimate(0.9687, 0.9683, 0.9692), "96.87 % (96.83 to 96.92 %)"),
        (Estimate(0.9607, 0.71, 0.99), "96 % (70 to 100 %)"),
    ],
)
def test_the_bound_carries_its_interval(study: Results, known: Estimate, told: str) -> None:
    """The reason shows the lower bound to the digits of its interval, and never coarser than the target."""
    found = study.option("one-point")
    decisive = Yield(Estimate(0.98, 0.975, 0.985), (known.value, 0.99), known_low=known)
    sure = dataclasses.replace(found, yields={**found.yields, found.decisive: decisive}, verdict="conforms")
    why = recommend(study.case, (sure,), study.budget, (), study.units).reason
    why = said(why).replace("\N{NO-BREAK SPACE}", " ")
    assert f"lower bound on the yield, {told}, reaches 90 % with 7 readings a unit" in why


def test_an_obstacle_has_the_digits_of_its_interval(study: Results) -> None:
    """What freezing a cause would bring is shown no finer than the interval of the change."""
    rows = study.budget[(study.budget["option"] == "one-point") & (study.budget["change"] == "frozen")]
    row = rows.iloc[:1].assign(
        verdict="resolved", factor="a cause", error_N=2.0, error_change_N=-1.0,
        error_change_N_low=-1.1, error_change_N_high=-0.9, yield_change=0.2, yield_change_low=0.17,
        yield_change_high=0.23, **{"yield": 0.9123},
    )  # fmt: skip
    found = recommend(study.case, (option(study, "one-point", 0.6, 1.0),), row, (), study.units).obstacles
    found = [said(each) for each in found]
    assert found[0].replace("\N{NO-BREAK SPACE}", " ") == (
        "a cause: without it the yield would be 91 % and 95 % of the errors would stay within 2.0 N"
    )


def test_order_of_effort_does_not_depend_on_the_draws(study: Results) -> None:
    """Of two that cost the same the one without a thermometer is recommended, then the one listed first, whatever their
    bounds are."""
    options = (option(study, "one-point", 0.92, 30.0), option(study, "two-point", 0.95, 30.0))
    spec = study.case.calibrations[1]
    twin = dataclasses.replace(spec, name="two-point", temperature_correction=True)
    for calibrations in ((spec, twin), (twin, spec)):
        case = dataclasses.replace(study.case, calibrations=calibrations)
        assert recommend(case, options, study.budget, (), study.units).option == "one-point"
    plain = dataclasses.replace(twin, temperature_correction=False)
    for calibrations in ((spec, plain), (plain, spec)):
        case = dataclasses.replace(study.case, calibrations=calibrations)
        assert recommend(case, options, study.budget, (), study.units).option == calibrations[0].name


def test_a_cheaper_option_left_open_is_named(study: Results) -> None:
    """An option of less effort than the recommended one that the draws leave undecided is named, with what would
    decide it; where none conforms and one is open, the study is undecided."""
    conforming = option(study, "two-point", 0.95, 40.0)
    open_one = dataclasses.replace(
        study.option("one-point"),
        yields={
            **study.option("one-point").yields,
            conforming.decisive: Yield(Estimate(0.92, 0.88, 0.94), None),
        },
        verdict="undecided",
    )
    found = recommend(study.case, (open_one, conforming), study.budget, (), 1000)
    assert found.option == "two-point"
    assert found.undecided == ("one-point",)
    assert "about 4 000 units would decide" in said(found.obstacles[0])
    alone = recommend(study.case, (open_one,), study.budget, (), 1000)
    assert alone.option is None and alone.undecided == ("one-point",)
    assert dataclasses.replace(study, options=(open_one,), checks=()).verdict == "undecided"


def test_an_exceeded_check_keeps_the_design_from_conforming(study: Results) -> None:
    """No option is recommended, and the design does not conform, where a design check is exceeded."""
    check = DesignCheck("sensor current", 2e-3, 1e-3, "A", -1.0, "exceeded", "")
    good = option(study, "one-point", 0.95, 30.0)
    found = recommend(study.case, (good,), study.budget, (check,), study.units)
    assert found.option is None and said(found.obstacles[0]) == "design check exceeded: sensor current"
    results = dataclasses.replace(study, options=(good,), checks=(check,))
    assert results.verdict == "does not conform" and not results.conforms
    assert dataclasses.replace(results, checks=()).verdict == "conforms"


def test_where_none_conforms_the_obstacles_are_named(study: Results) -> None:
    """Where no option conforms none is recommended; the nearest is named, and what moves its error most."""
    options = tuple(
        option(study, name, low, 1.0) for name, low in (("none", 0.2), ("one-point", 0.6), ("two-point", 0.5))
    )
    found = recommend(study.case, options, study.budget, (), study.units)
    assert found.option is None
    assert "'one-point' comes nearest with a lower bound of 60" in said(found.reason)
    assert any(line.startswith("sensor.reload_scatter") for line in map(said, found.obstacles))
    assert not any("sensitivity" in line for line in map(said, found.obstacles))


def test_saturation_blind_zone_and_checks_are_obstacles(study: Results) -> None:
    """Readings at a limit, readings that show no load and exceeded design checks are named as obstacles."""
    found = study.option("one-point")
    saturation = found.saturation.assign(saturated=[0.0] * 6 + [0.4], blind=[0.2] + [0.0] * 6)
    worse = option(study, "one-point", 0.5, 1.0, saturation=saturation)
    check = DesignCheck("sensor current", 2e-3, 1e-3, "A", -1.0, "exceeded", "")
    lines_found = recommend(study.case, (worse,), study.budget, (check,), study.units).obstacles
    lines_found = [said(each).replace("\N{NO-BREAK SPACE}", " ") for each in lines_found]
    assert any(line.startswith("saturation: 40 %") and "60 N" in line for line in lines_found)
    assert any(line.startswith("blind zone: 20 %") and "2 N" in line for line in lines_found)
    assert "design check exceeded: sensor current" in lines_found


@pytest.mark.parametrize(
    ("circuit", "saturated", "advice"),
    [
        ({"swing_low": "0.1 V"}, 0, "raise the output at no load (a pedestal)"),
        ({"feedback": "120 kohm", "swing_high": "1.2 V"}, -1, "lower the gain"),
    ],
)
def test_advice_against_saturation_follows_the_limit(
    circuit: dict[str, str], saturated: int, advice: str
) -> None:
    """Readings at the lower limit need a pedestal, those at the upper one a lower gain (common practice, no source)."""
    case = pad_case(
        NONE,
        sensor={"sensitivity": "4 uS +/- 2 %"},
        circuit=circuit,
        study={"units": 200, "draw": "all units"},
    )
    found = evaluate(case, workers=1)
    rows = found.options[0].saturation
    assert rows["saturated"].iloc[saturated] > 0.9
    assert rows["limit"].tolist() == sorted(rows["limit"], key="low high".index)
    lines_found = [said(each) for each in found.recommendation.obstacles]
    assert any(
        (line.startswith("saturation") and line.endswith(advice)) or advice in line for line in lines_found
    )


def test_lack_of_knowledge_is_an_obstacle(study: Results) -> None:
    """Where the yield reaches the target and only what is not known keeps it from being promised, that is
    said."""
    found = study.option("one-point")
    yields = {
        **found.yields,
        found.decisive: Yield(Estimate(0.97, 0.95, 0.99), (0.7, 1.0), None, Estimate(0.7, 0.68, 0.72)),
    }
    unsure = dataclasses.replace(found, yields=yields, verdict="does not conform")
    assert unsure.decisive_yield.lower_bound == 0.7
    assert any(
        each.kind == "epistemic uncertainty"
        for each in recommend(study.case, (unsure,), study.budget, (), study.units).obstacles
    )


def test_a_study_agrees_with_itself(study: Results) -> None:
    """An option conforms where the interval of its lower bound reaches the target, and the study where one does."""
    for each in study.options:
        assert each.conforms == (each.decisive_yield.bound.low >= 0.9)
    assert study.conforms == (study.recommendation.option is not None)
    with pytest.raises(KeyError, match="there are"):
        study.option("three-point")


def test_the_budget_can_be_left_out() -> None:
    """Without a budget its frame is empty and has the same columns."""
    case = pad_case(NONE, sensor={"sensitivity": "4 uS +/- 10 %"}, study={"units": 100})
    without, full = evaluate(case, workers=1, with_budget=False).budget, evaluate(case, workers=1).budget
    assert without.empty and not full.empty
    assert list(without.columns) == list(full.columns)
