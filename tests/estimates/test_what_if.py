"""What a change of a case would do, from stored units by importance weights, against closed forms and real runs."""

from __future__ import annotations

import json
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pad_study import NONE, ONE_POINT, pad_case
from scipy.stats import multivariate_normal, norm
from what_if_study import agrees, pad, run, run_again

from margin.case import Case, load_case, read_case
from margin.case.changes import with_changes
from margin.estimates.results import Results
from margin.estimates.what_if import WhatIf, pairs, stored, what_if, what_if_payload
from margin.estimates.what_if.weighted import quantile, wilson

GRIPPER = Path(__file__).parents[2] / "cases" / "gripper_amplifier" / "case.toml"
UNIT, LOT, EXPONENT = (
    "sensor.sensitivity per unit", "sensor.sensitivity per lot", "sensor.exponent per unit",
)  # fmt: skip
RELOADS = "sensor.reload_scatter (each loading)"

SINGLE = {"level": "unit", "shape": "discrete", "values": ["-3 %", "0 %", "3 %"], "weights": [1, 2, 1]}

LEADING = (
    UNIT, f"{UNIT} (from 6 units)", EXPONENT, RELOADS, "sensor.temperature_coefficient per unit",
    "use.temperature (hot afternoon) per condition", LOT, "use.dwell per condition",
)  # fmt: skip


def ranked(*names: str) -> pd.DataFrame:
    """A budget that ranks these spreads, halved, in this order."""
    rows = [(name, rank, 1.0 / rank) for rank, name in enumerate(names, 1)]
    return pd.DataFrame(rows, columns=["factor", "rank", "error_change_N"]).assign(
        by="factor", change="halved"
    )


MOVES: dict[str, dict[str, Any]] = {
    "wider limit": {"limit": 1.5},
    "tighter limit": {"limit": 0.7},
    "leading spread halved": {"spreads": {EXPONENT: {"scale": 0.5}}},
    "leading spread doubled": {"spreads": {EXPONENT: {"scale": 2.0}}},
    "mean shifted": {"spreads": {UNIT: {"shift": 0.6}}},
    "rectangular spread doubled, another halved": {"spreads": {LOT: {"scale": 2.0}, UNIT: {"scale": 0.5}}},
    "spread of an outer draw doubled": {"spreads": {"station.reference_gain per station": {"scale": 2.0}}},
    "spread of each loading at 1.5 times": {"spreads": {RELOADS: {"scale": 1.5}}},
}


@pytest.fixture(scope="module")
def studied() -> tuple[Case, Results, WhatIf]:
    """The pad, its study and its stored units."""
    case = pad()
    results = run(case)
    payload = what_if_payload(results)
    assert payload is not None
    return case, results, WhatIf(payload)


COMPARED = ("none", "one point, 3 reloads", "one point, 3 reloads, thermometer")
"""Options of the gripper that are run again: one without and two with calibration."""


@pytest.fixture(scope="module")
def gripper() -> tuple[Case, Results, dict[str, Any]]:
    """The gripper's pad with few units, of its options those that are run again, and the payload of them all."""
    few = {"study.units": 20_000, "study.draw": "all units"}
    results = run(with_changes(load_case(GRIPPER), few))
    payload = what_if_payload(replace(results, budget=ranked(*LEADING)))
    assert payload is not None
    tables = tomllib.loads(GRIPPER.read_text(encoding="utf-8"))
    tables["calibration"] = [each for each in tables["calibration"] if each["name"] in COMPARED]
    return with_changes(read_case(tables, GRIPPER), few), results, payload


@pytest.mark.parametrize("name", MOVES)
def test_weights_find_what_a_run_of_the_moved_case_finds(
    studied: tuple[Case, Results, WhatIf], name: str
) -> None:
    """Yield and lower bound of both options agree with those of the run that the command asks for."""
    case, _, units = studied
    for option in ("none", "one point"):
        found = units.numbers({"option": option, **MOVES[name]})
        again = run_again(case, found["command"]).option(option).decisive_yield
        assert found["carries"], found["why"]
        assert agrees(found["yield"], again.sampled.value, again.sampled.low, again.sampled.high)
        assert agrees(found["bound"], again.bound.value, again.bound.low, again.bound.high)


@pytest.mark.parametrize("name", ["tighter limit", "leading spread doubled", "mean shifted"])
def test_weights_of_the_gripper_find_what_runs_find(
    gripper: tuple[Case, Results, dict[str, Any]], name: str
) -> None:
    """Moves of the gripper's pad agree with their runs for an option without and two with calibration."""
    case, _, payload = gripper
    units = WhatIf(payload)
    again = run_again(case, units.numbers({"option": "none", **MOVES[name]})["command"])
    for option in COMPARED:
        found = units.numbers({"option": option, **MOVES[name]})
        other = again.option(option).decisive_yield
        assert found["carries"], found["why"]
        assert agrees(found["yield"], other.sampled.value, other.sampled.low, other.sampled.high)
        assert agrees(found["bound"], other.bound.value, other.bound.low, other.bound.high)


def test_the_error_band_follows_as_a_run_finds_it(studied: tuple[Case, Results, WhatIf]) -> None:
    """The 95 % band under a doubled spread agrees with the percentiles of its run at every load, both ends."""
    case, _, units = studied
    found = units.numbers({"option": "none", **MOVES["leading spread doubled"]})
    errors = run_again(case, found["command"]).option("none").errors
    rows = errors[errors["condition"] == "all"]
    for row, (_, run_row) in zip(found["band"], rows.iterrows(), strict=True):
        for end, column in (("low", "p2_5_N"), ("high", "p97_5_N")):
            one = {"value": row[end], "low": row[f"{end}_low"], "high": row[f"{end}_high"]}
            assert agrees(one, *(run_row[f"{column}{part}"] for part in ("", "_low", "_high")))


def test_the_case_as_it_is_gives_the_numbers_of_its_study(studied: tuple[Case, Results, WhatIf]) -> None:
    """Anchored, yield and bound are the study's; without it the stored units find the yield alone."""
    case, results, units = studied
    alone = what_if_payload(case)
    assert alone is not None
    for option in ("none", "one point"):
        study = results.option(option).decisive_yield
        found = units.numbers({"option": option})
        assert found["yield"]["value"] == pytest.approx(study.sampled.value, abs=1e-9)
        assert found["yield"]["low"] == pytest.approx(study.sampled.low, abs=2e-3)
        assert [found["bound"][k] for k in ("value", "low", "high")] == pytest.approx(
            [study.bound.value, study.bound.low, study.bound.high], abs=1e-6
        )
        raw = what_if(alone, {"option": option})
        assert agrees(raw["yield"], study.sampled.value, study.sampled.low, study.sampled.high)
        assert raw["bound"] is None


@pytest.mark.parametrize(
    ("scale", "shift", "limit"),
    [(1.0, 0.0, 1.0), (0.5, 0.0, 1.0), (2.0, 0.0, 1.0), (1.0, 1.0, 1.0), (1.5, 0.5, 1.4)],
)
def test_one_normal_spread_has_its_closed_form(scale: float, shift: float, limit: float) -> None:
    """A pad whose reading is proportional to its sensitivity conforms where that is within 4 % times the multiple."""
    case = pad_case(
        NONE,
        requirement={"permissible_error": "4 % of reading"},
        sensor={"sensitivity": "4 uS +/- 5 % (2 sigma) per unit", "exponent": 1.0},
        converter={"bits": 24},
        study={"units": 1000, "outer": 1},
    )
    payload = what_if_payload(case)
    assert payload is not None
    found = what_if(
        payload, {"option": "none", "limit": limit, "spreads": {UNIT: {"scale": scale, "shift": shift}}}
    )
    of = norm(shift * 0.025, scale * 0.025)
    exact = of.cdf(0.04 * limit) - of.cdf(-0.04 * limit)
    assert found["yield"]["low"] <= exact <= found["yield"]["high"]
    assert found["yield"]["high"] - found["yield"]["low"] < 0.1
    assert found["bound"] == found["yield"]
    ends = of.ppf([0.025, 0.975])
    for row in found["band"]:
        assert row["low_low"] <= ends[0] * row["load"] <= row["low_high"]
        assert row["high_low"] <= ends[1] * row["load"] <= row["high_high"]


def test_effective_units_follow_their_closed_form() -> None:
    """Effective units of one normal spread, drawn from the mixture, are N over the mean of the squared ratio."""
    case = pad_case(
        NONE,
        sensor={"sensitivity": "4 uS +/- 5 % (2 sigma) per unit", "exponent": 1.0},
        study={"units": 1000, "outer": 1},
    )
    payload = what_if_payload(case)
    assert payload is not None
    # the leading spread is drawn 2.2 times wider in 30 % of the units
    x = np.linspace(-12.0, 12.0, 40_001)
    proposal = 0.7 * norm.pdf(x) + 0.3 * norm(0.0, 2.2).pdf(x)
    for scale, shift in ((1.0, 0.0), (0.5, 0.0), (2.0, 0.0), (1.0, 1.0)):
        found = what_if(payload, {"option": "none", "spreads": {UNIT: {"scale": scale, "shift": shift}}})
        mean_square = float(np.sum(norm(shift, scale).pdf(x) ** 2 / proposal) * (x[1] - x[0]))
        assert found["effective_units"] == pytest.approx(payload["units"] / mean_square, rel=0.06)


def test_the_budget_sets_the_order(gripper: tuple[Case, Results, dict[str, Any]]) -> None:
    """Spreads come in the order of the budget, those measured together beside each other."""
    names = [each["name"] for each in gripper[2]["movables"]]
    assert names[:7] == [UNIT, EXPONENT, RELOADS, *LEADING[4:8]][:7]


def test_leading_spreads_can_be_halved_and_doubled(gripper: tuple[Case, Results, dict[str, Any]]) -> None:
    """Every spread offered for the gripper reaches from half to twice its size, and the text stays below 400 kB."""
    payload = gripper[2]
    assert len(payload["movables"]) >= 10
    for each in payload["movables"]:
        assert each["scales"][0] <= 0.5
        assert each["scales"][1] >= 2.0
    assert len(json.dumps(payload, separators=(",", ":"))) < 400_000


def test_the_ends_of_a_range_carry(studied: tuple[Case, Results, WhatIf]) -> None:
    """At both ends of each range that is offered the weights carry, and far beyond they are said not to."""
    _, _, units = studied
    for each in units.payload["movables"]:
        for scale in each["scales"]:
            assert units.numbers({"option": "none", "spreads": {each["name"]: {"scale": scale}}})["carries"]
        for shift in each["shifts"]:
            assert units.numbers({"option": "none", "spreads": {each["name"]: {"shift": shift}}})["carries"]
    far = units.numbers({"option": "none", "spreads": {EXPONENT: {"shift": 6.0}}})
    assert not far["carries"]
    assert far["yield"] is None
    assert far["band"] == []
    assert "effective" in far["why"]
    nowhere = units.numbers({"option": "none", "spreads": {"circuit.feedback per unit": {"shift": 50.0}}})
    assert nowhere["effective_units"] == 0.0
    assert not nowhere["carries"]
    assert "--change 'sensor.exponent=" in far["command"]


def test_two_interpolated_spreads_at_once_need_a_run(gripper: tuple[Case, Results, dict[str, Any]]) -> None:
    """Two spreads whose effects are interpolated are not moved together."""
    payload = gripper[2]
    names = [each["name"] for each in payload["movables"] if each["how"] == "interpolated"]
    assert names == [RELOADS, "use.dwell per condition"]
    found = what_if(payload, {"option": "none", "spreads": {name: {"scale": 1.2} for name in names}})
    assert not found["carries"]


def test_what_cannot_be_moved_is_listed_with_its_reason() -> None:
    """A lot curve, a list of values and a spread tied to another by a known correlation need another run."""
    case = pad_case(
        NONE,
        {"kind": "lot-curve", "sample_units": 3, "loads": ["6 N", "54 N"], "degree": 1},
        sensor={"sensitivity": {"value": "4 uS", "spread": [SINGLE]}, "exponent": "0.85 +/- 0.02 per unit"},
        circuit={"feedback": "60 kohm +/- 1 % per unit", "offset": "0 mV +/- 1 mV"},
        dependence=[{"between": ["sensor.exponent", "circuit.feedback"], "rank_correlation": 0.4}],
    )
    payload = what_if_payload(case)
    assert payload is not None
    reasons = {each["name"]: each["why"] for each in payload["left"]}
    assert "sample units" in reasons["lot-curve"]
    assert reasons[UNIT] == "discrete distribution"
    assert reasons[EXPONENT] == "correlated with another spread"
    assert [each["name"] for each in payload["movables"]] == ["circuit.offset per unit"]


def test_nothing_to_move_gives_no_payload() -> None:
    """A case without spreads, or with options that need another run alone, has no payload."""
    assert what_if_payload(pad_case(NONE)) is None
    assert what_if_payload(pad(), ["none"]) is not None
    lots = pad_case({"kind": "classes", "classes": 3}, sensor={"sensitivity": "4 uS +/- 6 % per unit"})
    assert what_if_payload(lots) is None


@pytest.mark.parametrize("counts", ["readings", "units by share of readings"])
def test_other_counts_decide_as_in_the_study(counts: str) -> None:
    """Where readings, or units by their share of readings, decide, the stored units find the study's yield."""
    case = pad_case(
        NONE,
        ONE_POINT,
        requirement={"permissible_error": "5 % of reading", "counts": counts},
        sensor={"sensitivity": "4 uS +/- 6 % (2 sigma) per unit", "reload_scatter": "1.5 %"},
        use={"loadings": 4},
        study={"units": 20_000, "outer": 1},
    )
    results = run(case)
    payload = what_if_payload(case)
    assert payload is not None
    for option in results.options:
        study = option.decisive_yield.sampled
        found = what_if(payload, {"option": option.name})
        assert agrees(found["yield"], study.value, study.low, study.high)


@given(h=st.floats(-3.0, 3.5), correlation=st.floats(0.0, 0.97))
def test_pairs_follow_the_bivariate_normal(h: float, correlation: float) -> None:
    """The probability of both agrees with scipy's bivariate normal integral."""
    exact = multivariate_normal([0.0, 0.0], [[1.0, correlation], [correlation, 1.0]]).cdf([h, h])
    assert pairs.both(h, correlation) == pytest.approx(exact, abs=1e-7)


@given(share=st.floats(0.02, 0.995), correlation=st.floats(0.01, 0.9))
def test_correlations_are_found_again(share: float, correlation: float) -> None:
    """The correlation of pairs, and the smallest one of a bound, are those that the two were made from."""
    h = pairs.score(share)
    both = pairs.both(h, correlation)
    assert pairs.correlation_of_pairs(share, both) == pytest.approx(correlation, abs=1e-6)
    bound = pairs.bound_score(h, correlation)
    found = pairs.correlation_of_bound(h, bound)
    # beyond the lowest score two correlations give the same one; a bound above the share itself is that of none
    assert pairs.bound_score(h, found) == pytest.approx(min(bound, h), abs=1e-6)
    assert found <= correlation + 1e-6


@given(values=st.lists(st.floats(-3.0, 3.0), min_size=2, max_size=40))
def test_stored_numbers_come_back_within_a_step(values: list[float]) -> None:
    """Even steps, ratios and cells come back within half a step of what was stored."""
    given_values = np.array(values)
    even = stored.even(given_values)
    assert np.abs(stored.read_even(even) - given_values).max() <= 0.51 * even["step"]
    ratios = np.exp(given_values)
    back = stored.read_ratios(stored.ratios(ratios))
    assert np.abs(np.log(back / ratios)).max() <= 0.51 * stored.RATIO_STEP
    edges = stored.cell_edges(4.0)
    cells = stored.read_cells(stored.cells(given_values, 4.0))
    assert np.all((edges[cells] <= given_values + 1e-9) & (given_values <= edges[cells + 1] + 1e-9))


def test_quantiles_are_even_within_a_cell() -> None:
    """A quantile of a histogram lies where the weight below it is the share, by hand."""
    edges = np.array([0.0, 1.0, 3.0, 4.0])
    assert quantile(np.array([1.0, 2.0, 1.0]), edges, 0.5) == pytest.approx(2.0)
    assert quantile(np.array([1.0, 2.0, 1.0]), edges, 0.125) == pytest.approx(0.5)


def test_an_interval_is_never_of_zero_width() -> None:
    """Without a failing unit the interval of a share is that of Wilson for the effective units: 1 / (1 + z^2 / n)."""
    assert wilson(1.0, 0.0, 100.0, 1.96)[0] == pytest.approx(1.0 / (1.0 + 1.96**2 / 100.0))
    assert wilson(0.999, 1e-9, 100.0, 1.96)[0] < 0.98


def test_one_outer_draw_has_nothing_to_weigh() -> None:
    """Where a study has but one outer draw, what holds for all its units cannot be moved."""
    case = pad_case(
        ONE_POINT,
        sensor={"sensitivity": "4 uS +/- 4 % (2 sigma) per unit"},
        station={"reference_gain": "0 % +/- 1 %"},
    )
    payload = what_if_payload(case)
    assert payload is not None
    assert {each["name"]: each["why"] for each in payload["left"]} == {
        "station.reference_gain per station": "one draw for all units of the study"
    }


def test_a_draw_that_scales_a_quantity_is_moved_by_that_quantity() -> None:
    """A placement twice as wide, both axes together, agrees with its run, whose command doubles the placement."""
    case = pad_case(
        NONE,
        interface={
            "kind": "load concentrator", "concentrator_radius": "4.6 mm", "sensing_radius": "5 mm",
            "placement": "0.2 mm",
        },
        sensor={"sensitivity": "4 uS +/- 3 % (2 sigma) per unit"},
        study={"units": 20_000, "outer": 1},
    )  # fmt: skip
    payload = what_if_payload(run(case))
    assert payload is not None
    moves = {"option": "none", "spreads": {"interface.placement (each mounting)": {"scale": 2.0}}}
    found = what_if(payload, moves)
    assert found["command"].endswith("--change 'interface.placement=400 um'")
    study = run_again(case, found["command"]).option("none").decisive_yield.sampled
    as_is = what_if(payload, {"option": "none"})["yield"]
    assert abs(study.value - as_is["value"]) > 0.05
    assert agrees(found["yield"], study.value, study.low, study.high)


def test_many_check_loads_all_decide() -> None:
    """Of forty check loads twelve are drawn in the band, the first and the last among them; all decide the yield."""
    case = pad_case(
        NONE,
        load={"check": 40},
        sensor={"sensitivity": "4 uS +/- 6 % (2 sigma) per unit", "exponent": "0.85 +/- 0.03"},
        study={"units": 20_000, "outer": 1},
    )
    payload = what_if_payload(case)
    assert payload is not None
    assert len(payload["loads"]) == 12
    assert payload["loads"][0] == case.check_loads[0]
    assert payload["loads"][-1] == case.check_loads[-1]
    study = run(case).option("none").decisive_yield.sampled
    assert agrees(what_if(payload, {"option": "none"})["yield"], study.value, study.low, study.high)
    anchored = what_if_payload(run(case))
    assert anchored is not None
    assert len(what_if(anchored, {"option": "none"})["band"]) == 12


@pytest.mark.parametrize("half_width", [2.0, 7.0])
def test_a_triangular_spread_is_weighed_by_its_density(half_width: float) -> None:
    """A triangular sensitivity, halved and nearly doubled from 4 %, conforms as its closed form says."""
    case = pad_case(
        NONE,
        requirement={"permissible_error": "2 % of reading"},
        sensor={"sensitivity": "4 uS +/- 4 % (triangular) per unit", "exponent": 1.0},
        converter={"bits": 24},
        study={"units": 1000, "outer": 1},
    )
    payload = what_if_payload(case)
    assert payload is not None
    found = what_if(payload, {"option": "none", "spreads": {UNIT: {"scale": half_width / 4.0}}})
    exact = 1.0 - (1.0 - 2.0 / half_width) ** 2
    assert found["carries"]
    assert found["yield"]["low"] <= exact <= found["yield"]["high"]
    # no text of a case is written for shapes other than normal and rectangular
    assert found["command"] == ""
