"""Results over age: closed forms, the static study at age 0, and what calibrations at an age do."""

from __future__ import annotations

import dataclasses
import math
from functools import lru_cache
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pad_study import NONE, ONE_POINT, pad_case
from scipy.stats import invgauss, norm

import margin
from distributions.errors import InvalidArgument
from margin.backends.run import run
from margin.case.types import Case
from margin.estimates.yield_result import Estimate, Verdict
from margin.estimates.yields import yield_of
from margin.messages.ageing import recalibration
from margin.propagation.plan import plan_of
from margin.service.ageing import at_age
from margin.service.field import last_before
from margin.service.first_passage import Passages, first_failures, fit_passages
from margin.service.over_age import AgeResult, over_age
from margin.service.recalibration import RecalibrationInterval, crossing, falling

SENSOR = {"kind": "thin film", "sensitivity": "4 uS", "reference_load": "20 N"}
MEAN, SD, LIMIT = 0.004, 0.002, 0.02
AGES = (100.0, 1000.0, 10_000.0, 40_000.0)


def drifting(**tables: dict[str, object]) -> Case:
    """A pad without any variation but the rate of its ageing, normal between units."""
    own = {"sensor": {**SENSOR, "ageing": "0.4 % +/- 0.4 % (2 sigma)"}}
    need = {
        "requirement": {"permissible_error": "2 % of reading"},
        "load": {"range": "2 N to 60 N", "check": ["20 N"]},
    }
    return pad_case(
        NONE, ONE_POINT, **{**own, **need, "study": {"units": 4000, "outer": 1, "seed": 3}, **tables}
    )


@lru_cache
def drifted() -> AgeResult:
    """Units of that pad over four decades of hours."""
    return over_age(drifting(), "none", ages=AGES, every=20_000.0, workers=1)


def within(age: float) -> float:
    """Share within the limit: the loss is rate times log10(1 + age / 1 h), and the rate is normal."""
    decades = math.log10(1.0 + age)
    if decades == 0.0:
        return 1.0
    ends = np.array([-LIMIT, LIMIT]) / decades
    return float(np.diff(norm.cdf(ends, MEAN, SD))[0])


def test_drift_with_a_normal_rate_has_its_closed_form() -> None:
    """The only ageing is a loss, linear in decades, with a normal rate: the yield is a normal probability."""
    for each in drifted().ages:
        assert each.found.sampled.low - 2e-4 <= within(each.age) <= each.found.sampled.high + 2e-4
        assert each.errors[1].value == pytest.approx(-MEAN * math.log10(1.0 + each.age) / LIMIT, abs=0.01)


def test_lives_of_that_drift_are_those_of_its_rate() -> None:
    """A unit fails first when its loss reaches the limit: the share failed is one less the yield."""
    failed = drifted().passages.failed
    assert failed[1:] == pytest.approx([1.0 - within(each.age) for each in drifted().ages[1:]], abs=1e-3)


def test_recalibration_interval_of_that_drift() -> None:
    """The yield falls below 95 % where the closed form does, to the width of the grid, and within its interval."""
    study = over_age(
        drifting(), "none", ages=np.geomspace(500.0, 2000.0, 12).tolist(), units=20_000, workers=1
    )
    exact = 10.0 ** (LIMIT / norm.ppf(0.95, MEAN, SD)) - 1.0
    shown, estimated, latest = study.interval.shown, study.interval.estimated, study.interval.latest
    assert shown is not None and estimated is not None and latest is not None
    assert shown <= min(exact, estimated) and estimated <= latest
    assert shown > 0.85 * exact
    assert estimated == pytest.approx(exact, rel=0.02)


def test_first_passage_of_a_wiener_process_is_inverse_gaussian() -> None:
    """Paths with drift 1 and diffusion 0.5 to level 1 (inverse Gaussian, mean 1, shape 4; Folks and Chhikara, JRSS B
    40, 1978, from memory), on a grid fine enough that passages between its points are few."""
    random, steps, units, end = np.random.default_rng(5), 1600, 3000, 3.0
    every = end / steps
    path = np.zeros(units)
    conforming = np.empty((steps + 1, units), dtype=bool)
    for k in range(steps + 1):
        conforming[k] = path <= 1.0
        path += every + 0.5 * math.sqrt(every) * random.standard_normal(units)
    found = Passages(every * np.arange(steps + 1), first_failures(conforming))
    exact = invgauss.cdf(found.ages[1:], mu=1.0 / 4.0, scale=4.0)
    # 1.63 / sqrt(n): 1 % point of Kolmogorov's statistic; the barrier is 0.583 steps' standard deviations higher as
    # seen on a grid (Broadie, Glasserman and Kou, Mathematical Finance 7, 1997, from memory)
    seen = 1.0 + 0.5826 * 0.5 * math.sqrt(every)
    shifted = invgauss.cdf(found.ages[1:], mu=seen / (4.0 * seen**2), scale=4.0 * seen**2)
    assert np.max(np.abs(found.failed[1:] - shifted)) < 1.63 / math.sqrt(units)
    assert np.max(np.abs(shifted - exact)) < 0.02


def test_lognormal_passages_are_fitted_back() -> None:
    """Lives drawn from a lognormal distribution and seen at eight ages: its median and spread come back."""
    lives = np.exp(np.random.default_rng(2).normal(math.log(5000.0), 0.8, 4000))
    ages = np.concatenate([[0.0], np.geomspace(300.0, 9000.0, 8)])
    found = Passages(ages, first_failures(lives > ages[:, np.newaxis]))
    fit = fit_passages(found).fits[0]
    assert fit.shape_name == "lognormal"
    assert fit.scale == pytest.approx(5000.0, rel=0.05) and fit.shape == pytest.approx(0.8, rel=0.05)
    assert fit_passages(found).departure(fit, found) < 0.02


def test_first_failure_counts_though_the_unit_conforms_again() -> None:
    """A unit that fails once and conforms later has failed at the first of these ages."""
    assert first_failures(np.array([[True], [False], [True]])).tolist() == [0, 1, 0, 0]


@pytest.mark.parametrize("outer", [1, 20])
def test_age_0_is_the_static_study(outer: int) -> None:
    """The yield at age 0 is that of a study of the case, to the last bit of its interval."""
    spreads = {
        "sensitivity": "4 uS +/- 2 % per lot, +/- 2 % (2 sigma)",
        "ageing": "1 %",
        "reload_scatter": "1 %",
    }
    case = drifting(
        sensor={**SENSOR, **spreads},
        station={"reference_gain": "+/- 1 %", "reference_scatter": "0.05 N"},
        study={"units": 1280, "outer": outer},
    )  # fmt: skip
    study = over_age(case, "one-point", ages=[1000.0], workers=1)
    (option,) = (each for each in case.calibrations if each.name == "one-point")
    static = margin.change(case, {"study.draw": "all units"})
    drawn = run(static, plan=plan_of(static), workers=1, compiled=False)
    need = case.requirement
    found = yield_of(drawn.plan.frame, drawn.tallies[option.name], need.counts, need.confidence)
    assert study.ages[0].found == found


def test_yield_at_an_age_is_that_of_a_study_at_that_age() -> None:
    """A study of the case with use.age stated gives the yield at that age: the units are the same."""
    study = over_age(drifting(), "none", ages=[3000.0], workers=1)
    static = margin.change(drifting(), {"use.age": "3000 h", "study.draw": "all units"})
    drawn = run(static, plan=plan_of(static), workers=1, compiled=False)
    found = yield_of(drawn.plan.frame, drawn.tallies["none"], "units at every check point", 0.95)
    assert study.ages[-1].found == found


def test_workers_and_blocks_change_nothing() -> None:
    """One worker and two, small blocks and large ones: the same counts, to the bit."""
    first, second = (
        over_age(drifting(), "one-point", ages=[500.0, 5000.0], units=900, workers=workers, block=block)
        for workers, block in ((1, None), (2, 64))
    )
    assert first.ages == second.ages and first.causes == second.causes and first.fields == second.fields
    assert np.array_equal(first.passages.first, second.passages.first)


def test_a_case_without_ageing_says_so() -> None:
    """Nothing ages: yields stay as they are, and the result says what to state."""
    study = margin.age(drifting(sensor=SENSOR), "none", points=3, units=400, workers=1)
    assert study.found.ageing == ()
    assert study.yields["yield"].nunique() == 1
    assert "Nothing in this case ages" in str(study) and "none is needed" in str(study)


def test_the_only_ageing_frozen_gives_all_back_and_recalibration_too() -> None:
    """Without its only ageing, and just after a recalibration, units are as new; a new zero brings nothing to a loss of
    sensitivity."""
    study = over_age(drifting(), "none", ages=[1000.0, 20_000.0, 20_000.5], every=20_000.0, workers=1)
    (cause,) = study.causes
    assert cause.name == "sensor.ageing" and all(each.sampled.value == 1.0 for each in cause.yields)
    courses = {action.name: field for action, field in zip(study.actions, study.fields, strict=True)}
    assert courses["one-point recalibration"].yields[-1].sampled.value == 1.0
    assert courses["one-point recalibration"].yields[-2] == study.ages[-2].found
    assert all(gain.value == 0.0 for gain in courses["re-zero"].gains)


def test_recalibration_draws_placements_of_its_own() -> None:
    """Where nothing ages but the reference scatters, a recalibration changes units, and leaves the yield as it is."""
    case = drifting(
        sensor=SENSOR,
        station={"reference_scatter": "0.3 N"},
        requirement={"permissible_error": "1 % of reading"},
    )
    case = margin.change(case, {"calibration.one-point.loads": ["31 N"]})
    study = over_age(case, "one-point", ages=[1000.0, 1001.0], every=1000.0, workers=1)
    again = dict(zip([each.name for each in study.actions], study.fields, strict=True))[
        "one-point recalibration"
    ]
    assert again.gains[-1].value != 0.0
    assert again.yields[-1].sampled.value == pytest.approx(study.ages[-1].found.sampled.value, abs=0.03)


def test_a_calibration_at_an_age_knows_the_loss_until_then() -> None:
    """station.age: a unit calibrated by one point at the age of its use has no error, one calibrated new has."""
    case = margin.change(
        drifting(), {"use.age": "2000 h", "station.age": "2000 h", "study.draw": "all units"}
    )
    new = margin.change(case, {"station.age": None})
    widest = [
        margin.estimate(each, workers=1).yields.set_index("option").loc["one-point", "yield"]
        for each in (case, new)
    ]
    assert widest[0] == 1.0 > widest[1]


def test_ages_of_conditions_give_way() -> None:
    """A condition with an age of its own is read at the age studied."""
    case = drifting(
        use={"age": "0 h to 9000 h", "condition": [{"name": "old", "age": "90000 h"}], "conditions": 1}
    )
    fixed = at_age(case, 100.0)
    assert "age" not in fixed.conditions[0].quantities
    assert (
        fixed.elements["use"].quantities["age"].nominal == 100.0
        and not fixed.elements["use"].quantities["age"].spreads
    )


@given(st.lists(st.floats(0.0, 1.0), min_size=2, max_size=8), st.floats(0.01, 0.99))
@settings(max_examples=60, deadline=None)
def test_a_crossing_lies_where_the_values_pass(values: list[float], target: float) -> None:
    """The line over the logarithm of age takes the target there, and all ages before it reach the target."""
    ages = [float(k) for k in range(len(values))]
    at = crossing(ages, values, target)
    if at is None:
        assert min(values) >= target
    elif at > 0.0:
        assert float(np.interp(math.log1p(at), np.log1p(ages), values)) == pytest.approx(target, abs=1e-6)
        assert all(value >= target for age, value in zip(ages, values, strict=True) if age < at - 1e-9)
    else:
        assert values[0] < target or values[1] < target


def test_a_coarse_grid_shows_no_interval_beyond_the_true_one() -> None:
    """With two ages alone the interval shown lies below the closed form, though most of the loss comes early."""
    study = over_age(drifting(), "none", ages=[40_000.0], every=40_000.0, workers=1)
    exact = 10.0 ** (LIMIT / norm.ppf(0.95, MEAN, SD)) - 1.0
    assert study.interval.shown is not None and 100.0 < study.interval.shown <= exact


@given(st.floats(1.0, 1e5), st.floats(1.0, 1e5))
@settings(max_examples=60, deadline=None)
def test_a_recalibration_due_has_not_been_made(age: float, every: float) -> None:
    """The last one lies before the age, by one interval at most."""
    since = last_before(age, every)
    assert since < age and age - since <= every * (1.0 + 1e-6)


BAD: dict[str, tuple[dict[str, object], str]] = {
    "option": ({"option": "two point"}, "no calibration option 'two point'"),
    "years 0": ({"years": 0.0}, "years must lie above 0"),
    "years without end": ({"years": math.nan}, "years must lie above 0"),
    "a millennium": ({"years": 1000.0}, "up to 100"),
    "points": ({"points": 1}, "points must be a whole number from 2"),
    "negative age": ({"ages": ["-5 h"]}, "none of them negative"),
    "age without a unit": ({"ages": ["500"]}, "age '500': a time needs a unit"),
    "age of another kind": ({"ages": ["5 N"]}, "age '5 N'"),
    "only age 0": ({"ages": [0.0]}, "it takes 2 to 40"),
    "every 0": ({"every": 0.0}, "it takes a time above 0"),
    "every beyond": ({"years": 1.0, "every": "9000 h"}, "up to the last age, 8766 h"),
    "every second": ({"every": 1e-4}, "more than a million times"),
    "units": ({"units": 12}, "units must be a whole number, 100 at least"),
    "workers": ({"workers": 0}, "workers must be at least 1"),
}  # fmt: skip


@pytest.mark.parametrize(("given", "said"), BAD.values(), ids=BAD)
def test_bad_input_gives_one_clear_message(given: dict[str, object], said: str) -> None:
    """Each is refused with what is wrong, in one line."""
    with pytest.raises(InvalidArgument) as caught:
        margin.age(drifting(), **{"option": "none", **given})  # type: ignore[arg-type]
    assert said in str(caught.value) and "\n" not in str(caught.value)


def test_few_outer_draws_leave_sections_empty_and_no_trouble() -> None:
    """A case that states fewer outer draws than a study has sections has errors over age, as any other."""
    case = pad_case(
        NONE,
        sensor={"ageing": "1 % +/- 0.5 % per common"},
        study={"units": 400, "outer": 4, "draw": "all units"},
    )
    study = margin.age(case, ages=["1000 h"], units=400, workers=1)
    assert study.yields["yield"].between(0.0, 1.0).all()
    assert "Answer:" in str(study)


@given(st.lists(st.floats(0.0, 1.0), min_size=2, max_size=8))
@settings(max_examples=60, deadline=None)
def test_bounds_that_scatter_are_smoothed_to_the_nearest_that_fall(values: list[float]) -> None:
    """With intervals that leave room the smoothed bounds never rise, and are the minimum over starts of the maximum
    over ends of means (the min-max formula of isotonic regression, from memory)."""
    smooth = falling([Estimate(value, 0.0, 1.0) for value in values])
    assert all(after <= before + 1e-12 for before, after in pairwise(smooth))
    for k, value in enumerate(smooth):
        means = [[np.mean(values[i : j + 1]) for j in range(k, len(values))] for i in range(k + 1)]
        assert value == pytest.approx(min(max(row) for row in means), abs=1e-9)


def test_a_yield_that_does_rise_is_not_smoothed() -> None:
    """Where the intervals show a rise, the bounds stay as they are."""
    rising = [Estimate(0.5, 0.4, 0.6), Estimate(0.9, 0.8, 0.95), Estimate(0.7, 0.6, 0.8)]
    assert falling(rising) == [0.5, 0.9, 0.7]


@pytest.mark.parametrize(
    ("verdict", "times", "said"),
    [
        ("does not conform", (0.0, 0.0, 0.0), "none; the yield is below the requirement from the start"),
        (
            "undecided",
            (0.0, 0.0, 88.0),
            "undecided, from none to 88\N{NO-BREAK SPACE}h, since new units are undecided",
        ),
        ("undecided", (0.0, 4.0, None), "from none to beyond the last age, since new units are undecided"),
        ("conforms", (0.0, 4.0, 88.0), "since new units alone are shown to conform"),
    ],
)
def test_interval_from_the_start_agrees_with_the_verdict_of_new_units(
    verdict: Verdict, times: tuple[float, float, float | None], said: str
) -> None:
    """'Below the requirement from the start' is said of new units that do not conform, and of no others."""
    study = drifted()
    new = dataclasses.replace(study.ages[0], verdict=verdict)
    sentence = recalibration(
        dataclasses.replace(study, ages=(new, *study.ages[1:]), interval=RecalibrationInterval(*times))
    )
    assert said in sentence
    assert ("from the start" in sentence) == (verdict == "does not conform")
