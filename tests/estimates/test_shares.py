"""Effects of causes on the force error, through the real chain, against closed forms."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from pad_study import NONE, ONE_POINT, TWO_POINT, pad_case, without_output_beyond

from margin.case import Case
from margin.estimates import numbers
from margin.estimates.budget_findings import of_runs
from margin.estimates.error_budget import error_budget
from margin.estimates.shares import FAILING, MARGIN, ErrorShares, Runs, error_shares
from margin.estimates.shares.over_temperature import TEMPERATURES, temperatures_in_use
from margin.estimates.shares.plan import SharesPlan
from margin.messages.sentences import said
from margin.propagation.model import model_of
from margin.propagation.tally import EvaluationError

TOP = "error at 60 N"
SCATTER = "sensor.reload_scatter (each loading)"
WARMED = {"temperature_coefficient": "0.2 %/K"}
SENSITIVITY, EXPONENT = "sensor.sensitivity per unit", "sensor.exponent per unit"


def shares_of(case: Case, runs: int = 1 << 14, **asked: Any) -> ErrorShares:
    """Shares by factor alone, without temperatures, unless more is asked for."""
    return error_shares(
        case, **{"by": ("factor",), "runs": runs, "over_temperature": False, "workers": 2, **asked}
    )


def rows_of(frame: pd.DataFrame, option: str = "none", output: str = TOP, by: str = "factor") -> pd.DataFrame:
    """Rows of one option, output and grouping by group."""
    found = frame[(frame["option"] == option) & (frame["output"] == output) & (frame["by"] == by)]
    return found.set_index("group")


def scope_of(found: ErrorShares, option: str = "none", output: str = TOP) -> pd.Series:
    return found.scopes.set_index(["option", "output"]).loc[(option, output)]


def holds(row: pd.Series, name: str, expected: float, slack: float = 0.01) -> None:
    """The interval, widened by what small nonlinearities and one interval in twenty may cost, holds the value."""
    assert row[f"{name}_low"] - slack <= expected <= row[f"{name}_high"] + slack, (name, expected, dict(row))
    assert row[name] == pytest.approx(expected, abs=0.06)


def test_linear_causes_share_the_variance_by_their_squares() -> None:
    """Three independent relative errors in a product: first and total order are each variance over their sum, at
    every load (closed form, first order in the errors)."""
    case = pad_case(
        NONE,
        sensor={"sensitivity": "4 uS +/- 1 %", "reload_scatter": "0.5 %"},
        circuit={"feedback": "60 kohm +/- 2 %"},
    )
    variances = {SENSITIVITY: 0.01**2 / 3, SCATTER: 0.005**2, "circuit.feedback per unit": 0.02**2 / 3}
    found = shares_of(case)
    for load in case.check_loads:
        rows = rows_of(found.effects, output=f"error at {load:g} N")
        for name, variance in variances.items():
            for order in ("main", "total"):
                holds(rows.loc[name], order, variance / sum(variances.values()))
        sums = found.sums[found.sums["output"] == f"error at {load:g} N"].iloc[0]
        assert sums["standard_deviation"] == pytest.approx(load * sum(variances.values()) ** 0.5, rel=0.03)
    rank = rows_of(found.effects)["rank"]
    assert rank["circuit.feedback per unit"] == 1


@pytest.mark.parametrize(
    ("tables", "scope"),
    [
        ({"station": {"reference_gain": "+/- 1 %"}}, "common"),
        ({"station": {"temperature": "25 degC", "reference_gain": "+/- 1 % per station"}}, "common"),
        ({"sensor": {"exponent": "1 +/- 0.02"}}, "between"),
        ({"sensor": {"exponent": "1 +/- 0.02 per lot"}}, "between"),
        ({"sensor": WARMED, "station": {"temperature": "20 degC to 30 degC"}}, "between"),
        ({"sensor": WARMED, "use": {"temperature": "5 degC to 45 degC"}}, "within"),
        ({"converter": {"bits": 24, "noise": 30_000}}, "both"),
    ],
)  # fmt: skip
def test_one_scope_holds_all(tables: dict[str, dict[str, Any]], scope: str) -> None:
    """A cause of the station is common to all units, one of the unit, its lot or its calibration lies between
    them, one of use within; noise lies within and, through the calibration, between."""
    found = scope_of(shares_of(pad_case(ONE_POINT, **tables), 1 << 12), "one-point")
    parts = {name: found[name] for name in ("common", "between", "within")}
    assert sum(parts.values()) == pytest.approx(1.0, abs=1e-12)
    if scope == "both":
        # the placement at 30 N is scaled to 60 N, at which it counts with twice its size
        holds(found, "between", 0.8, 0.03)
        holds(found, "within", 0.2, 0.03)
    else:
        assert parts[scope] == pytest.approx(1.0, abs=0.07)
        assert found[f"{scope}_low"] - 0.02 <= 1.0 <= found[f"{scope}_high"] + 0.02
        assert max(abs(value) for name, value in parts.items() if name != scope) < 0.07


@pytest.fixture(scope="module")
def mixed() -> ErrorShares:
    """Relative errors of a station, of unit and lot, and of placements, before and after a calibration."""
    case = pad_case(
        NONE,
        ONE_POINT,
        sensor={"sensitivity": "4 uS +/- 1 % per unit, +/- 1 % per lot", "reload_scatter": "0.5 %"},
        circuit={"feedback": "60 kohm +/- 1 %"},
        station={"reference_gain": "+/- 1 %"},
    )
    return shares_of(case, 1 << 15, by=("factor", "part", "level", "cause"))


def test_scopes_of_a_mix_meet_the_closed_form(mixed: ErrorShares) -> None:
    """Uncalibrated, unit and lot differ between units and the placement within. A one-point calibration takes out
    unit and lot, and puts in the station (common) and its own placement (between)."""
    bare, calibrated = scope_of(mixed), scope_of(mixed, "one-point")
    third, scatter = 0.01**2 / 3, 0.005**2
    for name, part in (("common", 0.0), ("between", 3 * third), ("within", scatter)):
        holds(bare, name, part / (3 * third + scatter))
    for name, part in (("common", third), ("between", scatter), ("within", scatter)):
        holds(calibrated, name, part / (third + 2 * scatter))
    sd = calibrated["standard_deviation"]
    assert sd == pytest.approx(60 * (third + 2 * scatter) ** 0.5, rel=0.05)


def test_scatter_at_the_calibration_is_a_line_of_its_own(mixed: ErrorShares) -> None:
    """The placement at the calibration stays in the unit's gain: a line apart from the placement in use, of the
    same size, put to reloading at the calibration and not to the station; uncalibrated it does nothing."""
    rows, bare = rows_of(mixed.effects, "one-point"), rows_of(mixed.effects)
    third, scatter = 0.01**2 / 3, 0.005**2
    for name in (SCATTER, f"{SCATTER} at calibration"):
        holds(rows.loc[name], "total", scatter / (third + 2 * scatter))
    assert bare.loc[f"{SCATTER} at calibration", "total"] == 0.0
    assert bare.loc[f"{SCATTER} at calibration", "verdict"] == "below resolution"
    causes = rows_of(mixed.effects, "one-point", by="cause")
    for cause in ("reloading", "reloading at the calibration"):
        holds(causes.loc[cause], "total", scatter / (third + 2 * scatter))
    holds(causes.loc["calibration station"], "total", third / (third + 2 * scatter))


@pytest.mark.parametrize("by", ["part", "level", "cause"])
def test_groups_hold_what_their_members_hold(mixed: ErrorShares, by: str) -> None:
    """In an additive case the share of a group is the sum of its members' (sum rule of independent causes)."""
    labels = SharesPlan.of(model_of(mixed.case)).labels
    group_of = {one.labels.factor: getattr(one.labels, by) for one in labels}
    for option in ("none", "one-point"):
        members = rows_of(mixed.effects, option)["total"].groupby(group_of).sum()
        groups = rows_of(mixed.effects, option, by=by)["total"]
        assert set(groups.index) == set(members.index)
        for name, value in groups.items():
            assert value == pytest.approx(members[name], abs=0.05)


def pearson(rank: float) -> float:
    """Correlation of the normals behind a rank correlation (Pearson 1907)."""
    return float(2.0 * np.sin(np.pi * rank / 6.0))


@pytest.mark.parametrize("rank", [0.7, -0.5])
def test_dependent_factors_are_one_group_and_shapley_effects_part_them(rank: float) -> None:
    """Sensitivity and exponent that depend on each other are one group; their Shapley effects are those of a linear
    model of two correlated normals and an independent third cause.

    Owen and Prieur 2017, SIAM/ASA Journal on Uncertainty Quantification 5, 986-1002. The relative error at F is
    s + d ln(F / reference), d the deviation of the exponent.
    """
    case = pad_case(
        NONE,
        sensor={"sensitivity": "4 uS +/- 0.4 % (2 sigma)", "exponent": "1 +/- 0.004 (2 sigma)"},
        circuit={"feedback": "60 kohm +/- 0.2 % (2 sigma)"},
        dependence=[{"between": ["sensor.sensitivity", "sensor.exponent"], "rank_correlation": rank}],
    )
    found = shares_of(case, 1 << 15, shapley=True)
    together = f"{SENSITIVITY} + {EXPONENT}"
    assert found.dependent == (together,)
    one, two, three, rho = 0.002, 0.002 * np.log(60 / 20), 0.001, pearson(rank)
    variance = one**2 + two**2 + 2 * rho * one * two + three**2
    rows = rows_of(found.effects)
    holds(rows.loc[together], "total", 1.0 - three**2 / variance)
    assert found.shapley is not None
    effects = rows_of(found.shapley)
    shared = rho * one * two
    expected = {
        SENSITIVITY: (one**2 * (1 - rho**2 / 2) + shared + two**2 * rho**2 / 2) / variance,
        EXPONENT: (two**2 * (1 - rho**2 / 2) + shared + one**2 * rho**2 / 2) / variance,
        "circuit.feedback per unit": three**2 / variance,
    }
    for name, value in expected.items():
        holds(effects.loc[name], "effect", value)
    assert effects["effect"].sum() == pytest.approx(1.0, abs=1e-9)


def test_what_is_drawn_again_at_the_calibration_depends_there_too() -> None:
    """Factors of a placement that depend on each other are one group in use and one at the calibration; Shapley
    effects, for which they would have to be drawn once, are refused and name them."""
    case = pad_case(
        ONE_POINT,
        sensor={"sensitivity": "4 uS +/- 1 % per loading", "exponent": "1 +/- 0.01 per loading"},
        dependence=[
            {
                "level": "loading",
                "between": ["sensor.sensitivity", "sensor.exponent"],
                "rank_correlation": 0.5,
            }
        ],
    )
    names = ("sensor.sensitivity per loading", "sensor.exponent per loading")
    expected = {" + ".join(names), " + ".join(f"{name} at calibration" for name in names)}
    found = shares_of(case, 2048)
    assert set(found.dependent) == expected
    assert expected < set(found.effects["group"])
    with pytest.raises(ValueError, match=r"per loading.*Leave them as one group"):
        shares_of(case, 2048, shapley=True)


@pytest.mark.parametrize("calibration", [ONE_POINT, {"kind": "lot-curve", "loads": ["4 N", "30 N", "60 N"]}])
def test_shapley_effects_are_refused_where_a_factor_is_drawn_twice(calibration: dict[str, Any]) -> None:
    """Factors of a mounting that is rebuilt, and of sample units of a lot, are drawn more than once for a unit."""
    level = "mounting" if calibration is ONE_POINT else "unit"
    case = pad_case(
        {**calibration, "stage": "sub-assembly"},
        sensor={"sensitivity": f"4 uS +/- 1 % per {level}", "exponent": f"1 +/- 0.01 per {level}"},
        dependence=[
            {"level": level, "between": ["sensor.sensitivity", "sensor.exponent"], "rank_correlation": 0.5}
        ],
    )
    with pytest.raises(ValueError, match="drawn once for a unit"):
        shares_of(case, 2048, shapley=True)


def test_an_inert_cause_is_named_and_below_resolution() -> None:
    """A loop width that loads from below never show has no share at all, and is named; the branch itself, which is
    no tolerance, is not."""
    case = pad_case(
        NONE, TWO_POINT, sensor={"sensitivity": "4 uS +/- 1 %", "hysteresis": "2 % +/- 1 %", "exponent": "1 +/- 0.01"}
    )  # fmt: skip
    found = shares_of(case, 4096)
    assert found.inert == ("sensor.hysteresis per unit",)
    rows = found.effects[found.effects["group"] == "sensor.hysteresis per unit"]
    rows = rows[rows["reason"] == ""]
    assert len(rows) > len(case.check_loads)
    assert (rows[["main", "total"]] == 0.0).all(axis=None)
    assert set(rows["verdict"]) == {"below resolution"}


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_rounding_is_no_output(seed: int) -> None:
    """Where a calibration takes out everything, what is left is the rounding of the computer: no share exists, and
    it is said of which output, option and value."""
    case = pad_case(
        NONE,
        ONE_POINT,
        sensor={"sensitivity": "4 uS +/- 10 %"},
        circuit={"feedback": "60 kohm +/- 2 %"},
        study={"seed": seed},
    )
    found = shares_of(case, 2048)
    rows = found.effects[found.effects["option"] == "one-point"]
    assert set(rows["verdict"]) == {"undefined"}
    assert rows["total"].isna().all()
    told = rows.drop_duplicates("output").set_index("output")["reason"]
    seen = 2 * found.runs[0].base
    assert told[TOP] == f"constant 0 in all of {seen} units"
    assert told[MARGIN] == f"constant 1 in all of {seen} units"
    assert told[FAILING] == f"none of {seen} units fails"
    assert set(found.effects[found.effects["option"] == "none"]["verdict"]) == {
        "resolved",
        "below resolution",
    }


@pytest.mark.parametrize(
    ("calibration", "beyond", "message"),
    [
        (NONE, 12.5e-6, r"not a number in \d+ of \d+ units.* sensor\.sensitivity per unit at its 9\d %"),
        (ONE_POINT, 6.1e-6, "calibration of the finished product: the chain gave codes that are not numbers"),
    ],
)
def test_a_chain_without_a_number_is_told(calibration: dict[str, Any], beyond: float, message: str) -> None:
    """Where a force error is not a number the draws furthest out are named, and how often it happens; where a code
    at the calibration is none, that is said."""
    case = pad_case(
        calibration, sensor={"sensitivity": "4 uS +/- 5 %"}, circuit={"feedback": "60 kohm +/- 1 %"}
    )
    with pytest.raises(EvaluationError, match=message):
        shares_of(without_output_beyond(case, beyond), 2048)


def test_runs_stop_when_the_intervals_are_narrow_or_the_budget_is_spent() -> None:
    """An easy case stops at the width asked for, and says so; a hard one spends the budget and says what is
    missing. Neither goes beyond its budget."""
    case = pad_case(NONE, sensor={"sensitivity": "4 uS +/- 7 %", "reload_scatter": "2 %"})
    (easy,) = shares_of(case, 1 << 15, width=0.4).runs
    assert (easy.stopped_by, easy.more) == ("width", 0)
    assert easy.widest <= 0.4 and easy.runs < 1 << 14
    assert easy.runs == easy.base * (easy.groups + 2)
    assert said(of_runs(easy)).endswith("are at most 0.4 wide")
    (hard,) = shares_of(case, 3000, width=0.001).runs
    assert hard.stopped_by == "budget"
    assert hard.runs <= 3000 < 2 * hard.runs
    assert hard.more > 0 and hard.widest > 0.001
    assert f"up to {hard.widest:.2g} wide where 0.001 was wanted" in said(of_runs(hard))
    assert numbers.count(hard.more) in said(of_runs(hard))


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (48_000, "about 48\u00a0000 more evaluations would reach it"),
        (7 * 10**13, "more evaluations than can be drawn would be needed"),
    ],
)
def test_units_that_nobody_could_draw_are_not_advised(more: int, told: str) -> None:
    """What more would cost is told up to the largest study that can be drawn."""
    runs = Runs("factor", 9, 512, 11_264, 0.4, 0.1, "budget", more)
    assert said(of_runs(runs)).endswith(told)


def test_the_answer_is_the_same_to_the_bit_for_any_number_of_workers() -> None:
    """One, two and seven threads give equal frames."""
    case = pad_case(
        ONE_POINT,
        {"kind": "lot-curve", "loads": ["4 N", "30 N", "60 N"], "sample_units": 2},
        sensor={"sensitivity": "4 uS +/- 3 % per unit, +/- 2 % per lot", "reload_scatter": "1 %"},
        converter={"bits": 12, "noise": 1},
    )
    one, *others = (shares_of(case, 4096, workers=workers, second_order=True) for workers in (1, 2, 7))
    for other in others:
        pd.testing.assert_frame_equal(one.effects, other.effects, check_exact=True)
        pd.testing.assert_frame_equal(one.scopes, other.scopes, check_exact=True)
        pd.testing.assert_frame_equal(one.second, other.second, check_exact=True)


def test_over_temperature_a_coefficient_grows_from_its_reference() -> None:
    """With a temperature coefficient as the only cause the standard deviation is load times its own times the
    distance from the reference temperature, and the mean stays zero (closed form)."""
    case = pad_case(
        NONE,
        sensor={"temperature_coefficient": "0 %/K +/- 0.1 %/K"},
        use={"temperature": "5 degC to 45 degC"},
    )
    found = shares_of(case, 1 << 15, over_temperature=True).over_temperature
    assert found is not None
    rows = found[(found["output"] == TOP) & (found["group"] == "temperature")].set_index("temperature_degC")
    assert list(rows.index) == pytest.approx(np.linspace(5, 45, TEMPERATURES))
    expected = 60 * 0.001 / 3**0.5 * np.abs(rows.index.to_numpy() - 25.0)
    away = expected > 0.0
    assert rows["standard_deviation"].to_numpy()[away] == pytest.approx(expected[away], rel=0.02)
    assert np.isnan(rows["standard_deviation"].to_numpy()[~away]).all()
    assert rows["mean"].to_numpy() == pytest.approx(0.0, abs=0.05)
    assert rows["total"].to_numpy()[away] == pytest.approx(1.0, abs=0.06)


def test_temperatures_cover_every_condition_of_use() -> None:
    """The range runs over all named conditions; a normal spread ends at its 0.5 % and 99.5 % points."""
    named = [{"name": "cold", "temperature": "-5 degC to 5 degC"}, {"name": "warm", "temperature": "40 degC"}]
    found = temperatures_in_use(pad_case(NONE, use={"condition": named}))
    assert (found[0], found[-1], found.size) == (-5.0, 40.0, TEMPERATURES)
    normal = temperatures_in_use(pad_case(NONE, use={"temperature": "20 degC +/- 10 degC (2 sigma)"}))
    assert (normal[0], normal[-1]) == pytest.approx((20 - 5 * 2.5758, 20 + 5 * 2.5758), abs=1e-3)
    assert temperatures_in_use(pad_case(NONE)) == pytest.approx([25.0])


def test_a_tie_to_the_temperature_is_dropped_where_the_temperature_is_fixed() -> None:
    """Temperature and humidity that depend on each other are one group in use, and no fault at fixed
    temperatures."""
    case = pad_case(
        NONE,
        sensor={"temperature_coefficient": "0.2 %/K", "humidity_coefficient": "0.05 %/%RH"},
        use={"temperature": "5 degC to 45 degC", "humidity": "50 %RH +/- 20 %RH"},
        dependence=[
            {"level": "condition", "between": ["use.temperature", "use.humidity"], "rank_correlation": 0.6}
        ],
    )
    found = shares_of(case, 2048, over_temperature=True)
    assert found.dependent == ("use.temperature per condition + use.humidity per condition",)
    assert found.over_temperature is not None
    assert found.over_temperature["temperature_degC"].nunique() == TEMPERATURES


def test_named_conditions_are_a_cause_within_a_unit() -> None:
    """Which of two conditions a reading is taken in is drawn with equal chances: where they differ by a fixed
    temperature it holds all the variance, d^2 / 4 (closed form)."""
    named = [{"name": "cold", "temperature": "5 degC"}, {"name": "warm", "temperature": "45 degC"}]
    case = pad_case(NONE, sensor={"temperature_coefficient": "0.1 %/K"}, use={"condition": named})
    found = shares_of(case, 2048)
    scope = scope_of(found)
    assert scope["within"] == pytest.approx(1.0, abs=0.05)
    assert scope["standard_deviation"] == pytest.approx(60 * 0.001 * 40 / 2, rel=0.02)
    assert rows_of(found.effects).loc["use.condition (which)", "total"] == pytest.approx(1.0, abs=0.05)
    # over all of its readings a unit sees both
    assert rows_of(found.effects, output=MARGIN)["reason"].str.startswith("constant").all()


def test_bad_requests_are_refused() -> None:
    """Too few runs, no workers and a width of nothing are refused with a reason; so is a case in which nothing
    varies."""
    case = pad_case(NONE, sensor={"sensitivity": "4 uS +/- 1 %"})
    with pytest.raises(ValueError, match="need 128 at least"):
        shares_of(case, 50)
    with pytest.raises(ValueError, match="at least 1"):
        shares_of(case, workers=0)
    with pytest.raises(ValueError, match="full width"):
        shares_of(case, width=0.0)
    with pytest.raises(ValueError, match="nothing varies"):
        error_budget(pad_case(NONE), runs=1000, workers=1)
    few = shares_of(case, 130, over_temperature=True)
    assert few.runs[0].runs == 128
