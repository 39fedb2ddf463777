"""Quantities that named conditions of use have for themselves: a factor for each, under the condition's name."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import spearmanr

from distributions import Rectangular, Stream
from margin.case import CaseError, read_case
from margin.case.types import Case, UseCondition
from margin.chain.setting import Setting
from margin.estimates.budget import budget_of
from margin.propagation.assemble import use_setting
from margin.propagation.factors import factors_of
from margin.propagation.grouping import Grouping
from margin.propagation.model import model_of
from margin.propagation.readings import use_event

UNITS = 4000

BASE = """
[case]
unstated = "zero"
[load]
range = "2 N to 20 N"
check = ["2 N", "20 N"]
[requirement]
permissible_error = "10 % of reading"
[sensor]
kind = "thin film"
sensitivity = "40 uS +/- 2 %"
reference_load = "10 N"
temperature_coefficient = "-0.4 %/K"
[circuit]
kind = "inverting amplifier"
reference = "1.2 V"
feedback = "10 kohm"
[use]
temperature = "20 degC +/- 10 K"
humidity = "40 %RH to 60 %RH"
[study]
units = 400
"""

CONDITIONS = """
[[use.condition]]
name = "cold"
temperature = "-10 degC to 0 degC{level}"
{cold}
[[use.condition]]
name = "hot"
temperature = "30 degC to 60 degC{level}"
{hot}
"""

TIE = """
[[dependence]]
level = "condition"
between = ["use.temperature", "use.humidity"]
rank_correlation = -0.9
"""

HUMIDITIES = {"cold": 'humidity = "10 %RH to 20 %RH"', "hot": 'humidity = "50 %RH to 80 %RH"'}


def named(level: str = "", cold: str = "", hot: str = "", tie: str = "") -> Case:
    return read_case(BASE + CONDITIONS.format(level=level, cold=cold, hot=hot) + tie)


def settings_in(case: Case) -> dict[str, Setting]:
    source = model_of(case).source(Grouping(1, 1), 0, UNITS)
    found: list[UseCondition] = list(case.conditions)
    return {c.name: use_setting(case, c, use_event(case, c), source) for c in found}


def test_the_budget_lists_each_condition_by_its_name() -> None:
    """Both conditions have a line of their own, and each moves the error; the general range that neither uses has
    none."""
    case = named()
    budget = budget_of(model_of(case))
    lines = {name for name in budget["factor"] if name.startswith("use.temperature")}
    assert lines == {"use.temperature (cold) per condition", "use.temperature (hot) per condition"}
    frozen = budget[(budget["change"] == "frozen") & budget["factor"].isin(lines)]
    assert (frozen["error_change_N"].abs() > 0.0).any()


def test_what_a_condition_leaves_to_the_general_use_stays_one_factor() -> None:
    """A quantity that only one condition replaces is drawn in the other from the general range."""
    names = [factor.name for factor in factors_of(named(cold=HUMIDITIES["cold"]))]
    assert "use.humidity per condition" in names
    assert "use.humidity (cold) per condition" in names
    assert "use.humidity (hot) per condition" not in names
    assert len(set(names)) == len(names)


def test_what_is_common_to_all_units_is_drawn_for_each_condition_from_its_own_range() -> None:
    """Two conditions whose temperature is unknown but the same for all units do not share one draw."""
    found = settings_in(named(level=" per common"))
    for name, low, high in (("cold", -10.0, 0.0), ("hot", 30.0, 60.0)):
        drawn = np.asarray(found[name].temperature)
        assert low <= drawn.min() < drawn.max() <= high


@pytest.mark.parametrize("own", [True, False], ids=["both replaced", "one replaced"])
def test_a_tie_holds_in_each_condition_within_its_own_ranges(own: bool) -> None:
    """Temperature and humidity keep their rank correlation in each condition, and the range stated for it."""
    case = named(tie=TIE, **(HUMIDITIES if own else {}))
    ends = {"cold": (10.0, 20.0), "hot": (50.0, 80.0)} if own else {"cold": (40.0, 60.0), "hot": (40.0, 60.0)}
    for name, setting in settings_in(case).items():
        temperature, humidity = np.ravel(setting.temperature), np.ravel(setting.humidity)
        low, high = ends[name]
        assert low <= humidity.min() < humidity.max() <= high
        # 4000 pairs: the standard error of a rank correlation of 0.9 is near 0.003
        assert spearmanr(temperature, humidity).statistic == pytest.approx(-0.9, abs=0.015)


def test_a_tie_may_rest_on_spreads_that_only_a_condition_states() -> None:
    """Nothing spreads in the general use: the tie holds where both do."""
    still = BASE.replace('"20 degC +/- 10 K"', '"20 degC"').replace('"40 %RH to 60 %RH"', '"50 %RH"')
    case = read_case(still + CONDITIONS.format(level="", cold=HUMIDITIES["cold"], hot="") + TIE)
    setting = settings_in(case)["cold"]
    temperature, humidity = np.ravel(setting.temperature), np.ravel(setting.humidity)
    assert spearmanr(temperature, humidity).statistic == pytest.approx(-0.9, abs=0.015)


def test_a_tie_that_holds_under_no_condition_is_refused() -> None:
    """Each quantity spreads under another condition, so that nothing would be tied."""
    apart = BASE.replace('"40 %RH to 60 %RH"', '"50 %RH"').replace('"20 degC +/- 10 K"', '"20 degC"')
    conditions = CONDITIONS.format(level="", cold='humidity = "50 %RH"', hot=HUMIDITIES["hot"])
    conditions = conditions.replace('"30 degC to 60 degC"', '"40 degC"')
    with pytest.raises(
        CaseError, match="no condition of use in which both spread; give both a spread under one"
    ):
        read_case(apart + conditions + TIE)


def test_cases_without_named_conditions_keep_their_draws_to_the_bit() -> None:
    """Where no condition is named, a draw is addressed by the quantity and its level alone, as it always was."""
    case = read_case(BASE)
    assert [factor.name for factor in factors_of(case)] == [
        "sensor.sensitivity per unit",
        "use.temperature per condition",
        "use.humidity per condition",
        "use.direction (each loading)",
    ]
    units, conditions = 16, case.study.conditions
    source = model_of(case).source(Grouping(1, 1), 0, units)
    found = use_setting(case, None, use_event(case, None), source).temperature
    uniforms = Stream(case.study.seed).uniforms("use.temperature per condition@use", 0, units * conditions)
    expected = 20.0 + Rectangular(-10.0, 10.0).ppf(uniforms)
    np.testing.assert_array_equal(np.asarray(found)[:, :, 0, 0, 0], expected.reshape(units, conditions))
