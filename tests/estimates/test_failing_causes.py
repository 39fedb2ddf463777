"""Which causes set the margin of a unit and make it fail, through the real chain."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pandas as pd
import pytest
from pad_study import NONE, ONE_POINT, pad_case
from redrawn_functions import limit_state_effects, margin_effects

from margin.case import Case
from margin.estimates.shares import FAILING, MARGIN, ErrorShares, error_shares
from margin.estimates.shares.outputs import UnitOutputs, long_names, output_names, places_of
from margin.estimates.shares.plan import SharesPlan, shares_frame
from margin.estimates.shares.unit_study import UnitStudy
from margin.propagation.block import block_errors
from margin.propagation.model import model_of
from margin.propagation.outcomes import Outcomes

SENSITIVITY, FEEDBACK = "sensor.sensitivity per unit", "circuit.feedback per unit"
SCATTER = "sensor.reload_scatter (each loading)"
CLOSE_POINTS = {"kind": "two-point", "loads": ["30 N", "33 N"]}
"""Two calibration loads so close that their scatter may put them in the wrong order: the inversion runs away."""


def shares_of(case: Case, runs: int, **asked: Any) -> ErrorShares:
    return error_shares(
        case, **{"by": ("factor",), "runs": runs, "over_temperature": False, "workers": 1, **asked}
    )


def rows_of(found: ErrorShares, output: str, option: str = "none") -> pd.DataFrame:
    rows = found.effects
    return rows[(rows["option"] == option) & (rows["output"] == output)].set_index("group")


def holds(row: pd.Series, name: str, expected: float, slack: float = 0.02) -> None:
    """The interval, widened by what small nonlinearities and one interval in twenty may cost, holds the value."""
    assert row[f"{name}_low"] - slack <= expected <= row[f"{name}_high"] + slack, (name, expected, dict(row))


def two_normals(**requirement: Any) -> Case:
    """Relative errors with standard deviations of 4 % and 2 % in a product, against a limit of 6 % of reading."""
    return pad_case(
        NONE,
        load={"check": ["30 N"]},
        requirement={"permissible_error": "6 % of reading", **requirement},
        sensor={"sensitivity": "4 uS +/- 8 % (2 sigma)"},
        circuit={"feedback": "60 kohm +/- 4 % (2 sigma)"},
    )


def test_failing_units_and_their_margin_meet_the_closed_form() -> None:
    """Two normal relative errors that add up (first order): effects on failing by the bivariate normal, on the margin
    by quadrature; the part cured is the total effect times the share that conforms."""
    found = shares_of(two_normals(), 1 << 15, width=1e-9)
    shares = np.array([16.0, 4.0]) / 20.0
    limit = 0.06 / np.sqrt(20.0) * 100.0
    main, total, cured = limit_state_effects(shares, limit)
    of_margin = margin_effects(shares, limit, 2.0)
    for place, name in enumerate((SENSITIVITY, FEEDBACK)):
        failing, margin = rows_of(found, FAILING).loc[name], rows_of(found, MARGIN).loc[name]
        for column, expected in (("main", main), ("total", total), ("cured", cured)):
            holds(failing, column, expected[place])
        for column, expected in zip(("main", "total"), of_margin, strict=True):
            holds(margin, column, expected[place])
        assert np.isnan(margin["cured"])
    assert rows_of(found, FAILING)["rank"].tolist()[:2] == [1, 2]


@pytest.mark.parametrize("counts", ["units by share of readings", "readings"])
def test_failing_is_what_the_requirement_counts(counts: str) -> None:
    """A unit whose every reading has the same error fails by any count alike: effects are the same but for the way in
    which their intervals are found."""
    asked = {"share": "99 %"} if "share" in counts else {}
    one = shares_of(two_normals(), 1 << 14)
    other = shares_of(two_normals(counts=counts, **asked), 1 << 14)
    for name in ("main", "total", "cured"):
        assert rows_of(one, FAILING)[name].to_numpy() == pytest.approx(
            rows_of(other, FAILING)[name].to_numpy(), abs=1e-9
        )


def test_a_runaway_inversion_leaves_narrow_effects() -> None:
    """Two calibration loads 3 N apart, with 1.3 N of scatter between them: the errors themselves have no variance (a
    ratio of two nearly normal variables), the largest is a thousand times the permissible one. Effects on error, margin
    and failing have narrow intervals, led by the placements at the calibration, and no warning is given."""
    case = pad_case(
        CLOSE_POINTS,
        requirement={"permissible_error": "40 % of reading"},
        sensor={"sensitivity": "4 uS +/- 5 %", "reload_scatter": "3 %"},
    )
    model = model_of(case)
    frame = shares_frame(case, 1)
    errors = block_errors(model, model.source(frame.grouping, 0, 8000), 8000).by_option
    largest = max(np.abs(each / frame.permissible).max() for own in errors.values() for each in own)
    assert largest > 1000.0
    found = shares_of(case, 1 << 15, width=0.08)
    option = case.calibrations[0].name
    for output in ("error at 60 N", MARGIN, FAILING):
        rows = rows_of(found, output, option)
        assert rows["total"].idxmax() == f"{SCATTER} at calibration"
        for name in ("main", "total"):
            assert np.isfinite(rows[name]).all()
            assert (rows[f"{name}_high"] - rows[f"{name}_low"]).max() < 0.1
    assert found.runs[0].stopped_by == "width"
    ends = found.effects.filter(regex="^(main|total|cured)(_low|_high)?$")
    assert ((ends >= 0.0) & (ends <= 1.0) | ends.isna()).all(axis=None)


def test_the_leading_cause_of_the_variance_need_not_be_that_of_failing_units() -> None:
    """A rectangular 5.5 % that alone never exceeds 6 % leads the variance; 3 % normal on top of it decides who fails.
    Rankings of total effects differ (quadrature over the two relative errors on a grid, first order)."""
    case = pad_case(
        NONE,
        load={"check": ["30 N"]},
        requirement={"permissible_error": "12 % of reading"},
        sensor={"sensitivity": "4 uS +/- 7 %"},
        circuit={"feedback": "60 kohm +/- 7 % (2 sigma)"},
    )
    found = shares_of(case, 1 << 15, width=1e-9)
    wide = np.linspace(-0.07, 0.07, 1401)
    normal = np.linspace(-0.25, 0.25, 5001)
    density = np.exp(-0.5 * (normal / 0.035) ** 2)
    density /= density.sum()
    fails = np.abs(wide[:, np.newaxis] + normal) > 0.12
    p = float((fails @ density).mean())
    given_wide, given_normal = fails @ density, fails.mean(axis=0)
    variance = p - p**2
    by_wide = 1.0 - (float(density @ given_normal**2) - p**2) / variance
    by_normal = 1.0 - (float((given_wide**2).mean()) - p**2) / variance
    rows = rows_of(found, FAILING)
    holds(rows.loc[SENSITIVITY], "total", by_wide, 0.03)
    holds(rows.loc[FEEDBACK], "total", by_normal, 0.03)
    of_variance = rows_of(found, "error at 30 N")["total"]
    assert of_variance[SENSITIVITY] > of_variance[FEEDBACK]
    assert rows["total"][SENSITIVITY] < rows["total"][FEEDBACK]
    assert rows["rank"][FEEDBACK] == 1 < rows["rank"][SENSITIVITY]


def test_no_failing_unit_is_reported_with_how_many_were_looked_at() -> None:
    """A case far within its limit: no effects on failing, all units of the budget looked at, margin as ever."""
    case = pad_case(NONE, sensor={"sensitivity": "4 uS +/- 1 %"})
    found = shares_of(case, 2048)
    rows = rows_of(found, FAILING)
    seen = 2 * found.runs[0].base
    assert set(rows["reason"]) == {f"none of {seen} units fails"}
    assert set(rows["verdict"]) == {"undefined"}
    assert rows_of(found, MARGIN).loc[SENSITIVITY, "total"] == pytest.approx(1.0, abs=0.01)


def outcomes(largest: list[float], within: list[int], readings: int) -> Outcomes:
    """Of one option, one load and one condition; errors as large as the largest, at a permissible error of 1.8 N."""
    sizes = np.array([largest])
    return Outcomes(sizes, np.array([within]), 1.8 * sizes[:, np.newaxis, np.newaxis])


@pytest.mark.parametrize(
    ("counts", "failing"),
    [
        ("units at every check point", [0.0, 0.0, 1.0, 1.0]),
        ("units by share of readings", [0.0, 0.0, 0.0, 1.0]),
        ("readings", [0.0, 0.0, 0.1, 0.8]),
    ],
)
def test_outputs_of_a_unit_are_bounded_and_count_as_asked(counts: str, failing: list[float]) -> None:
    """Errors end at ten times the permissible one; margin 1 without error, 0 at the limit, -1 at twice the limit and
    however far beyond; failing by each count, with 90 % of ten readings asked for."""
    share = {"share": "90 %"} if "share" in counts else {}
    case = pad_case(
        NONE,
        load={"check": ["30 N"]},
        requirement={"permissible_error": "6 % of reading", "counts": counts, **share},
        use={"readings": 10},
        sensor={"sensitivity": "4 uS +/- 1 %"},
    )  # fmt: skip
    outputs = UnitOutputs.of(case, shares_frame(case, 4))
    found = outputs(outcomes([1e-12, 1.0, 1.5, 1e9], [10, 10, 9, 2], 10), None)
    assert output_names(case) == ("error at 30 N", MARGIN, FAILING)
    assert found[:, 0] == pytest.approx([0.0, 1.8, 2.7, 18.0])
    assert found[:, 1] == pytest.approx([1.0, 0.0, -0.5, -1.0])
    assert found[:, 2] == pytest.approx(failing)


def test_units_are_those_of_the_case_with_their_draws_drawn_again() -> None:
    """The first matrix is the case as drawn, unit by unit with a lot and an outer draw each; with every column of a
    cause that does not act drawn again nothing changes; with all drawn again, every unit does."""
    case = pad_case(
        NONE,
        ONE_POINT,
        sensor={"sensitivity": "4 uS +/- 3 % per lot, +/- 2 % per unit", "reload_scatter": "1 %"},
        station={"reference_gain": "+/- 1 %"},
    )
    model = model_of(case)
    plan = SharesPlan.of(model)
    groups = plan.groups("factor")
    study = UnitStudy.of(plan, groups, 40)
    names = tuple(dict.fromkeys(groups))
    as_drawn, again, *each = study(8, 32)
    source = model.source(study.frame.grouping, 8, 32)
    places = [long_names(case).index(f"one-point\nerror at {load:g} N") for load in case.check_loads]
    errors = block_errors(model, source, 32).by_option["one-point"][0]
    assert np.array_equal(as_drawn[:, places], errors[:, 0, 0, 0, :])
    assert np.all(np.abs(again - as_drawn)[:, places].max(axis=1) > 0.0)
    uncalibrated = places_of(dataclasses.replace(case, calibrations=case.calibrations[:1]), MARGIN)
    station = names.index("station.reference_gain per station")
    assert np.array_equal(each[station][:, uncalibrated], as_drawn[:, uncalibrated])
    assert not np.array_equal(each[station][:, places], as_drawn[:, places])
