"""What doubling, part grades and groups of causes do to the error, on the same draws."""

from __future__ import annotations

import dataclasses
from typing import Any

import pandas as pd
import pytest
from pad_study import NONE, ONE_POINT, pad_case, without_output_beyond

from distributions import Normal, Rectangular
from margin.case import Case
from margin.estimates.budget import NO_NUMBER, budget_of
from margin.estimates.budget_causes import EVERY_CHANGE, LOOSER, TIGHTER, causes_of
from margin.estimates.part_grades import grades_of, half_width
from margin.propagation.factors import Factor
from margin.propagation.model import model_of
from margin.propagation.tally import EvaluationError

FEEDBACK, SENSITIVITY = "circuit.feedback per unit", "sensor.sensitivity per unit"
SCATTER = "sensor.reload_scatter (each loading)"


def budget(case: Case, changes: tuple[str, ...] = EVERY_CHANGE, **asked: Any) -> pd.DataFrame:
    """Budget by name and change of the first option."""
    found = budget_of(model_of(case), changes=changes, workers=2, **asked)
    first = found[found["option"] == case.calibrations[0].name]
    return first.set_index(["by", "factor", "change"]).sort_index()


def mixed(**tables: dict[str, Any]) -> Case:
    """Causes of three parts, three levels and four kinds."""
    return pad_case(
        ONE_POINT,
        **{
            "sensor": {
                "sensitivity": "4 uS +/- 10 %",
                "reload_scatter": "1.5 %",
                "temperature_coefficient": "0.1 %/K +/- 0.05 %/K",
            },
            "circuit": {"feedback": "60 kohm +/- 1 %", "feedback_tempco": "0 ppm/K +/- 100 ppm/K"},
            "converter": {"bits": 14, "noise": 4},
            "use": {"temperature": "5 degC to 45 degC"},
            "station": {"reference_gain": "+/- 1 %"},
            "study": {"units": 640, "outer": 20},
            **tables,
        },
    )


def test_doubling_the_only_cause_doubles_the_error() -> None:
    """With one linear cause the error is halved, kept and doubled with its spread (closed form)."""
    found = budget(pad_case(NONE, sensor={"sensitivity": "4 uS +/- 2 %"}))
    row = found.loc["factor", SENSITIVITY]
    whole = row.loc["halved", "error_N"] - row.loc["halved", "error_change_N"]
    assert row.loc["doubled", "error_N"] == pytest.approx(2.0 * whole, rel=1e-9)
    assert row.loc["halved", "error_N"] == pytest.approx(0.5 * whole, rel=1e-9)
    assert row.loc["doubled", "error_change_N"] == pytest.approx(whole, rel=1e-9)
    assert row.loc["doubled", "yield_change"] <= 0.0 <= row.loc["halved", "yield_change"]


@pytest.mark.parametrize(("change", "tolerance"), [(TIGHTER, "0.5 %"), (LOOSER, "2 %")])
def test_a_grade_is_the_case_with_that_tolerance(change: str, tolerance: str) -> None:
    """A 1 % resistor one grade tighter is one of 0.5 %, one grade looser one of 2 %: error and yield are those of
    the case that says so, on the same draws."""
    stated = budget(mixed())
    other = budget(
        mixed(circuit={"feedback": f"60 kohm +/- {tolerance}", "feedback_tempco": "0 ppm/K +/- 100 ppm/K"})
    )
    row = stated.loc["factor", FEEDBACK, change]
    unchanged = other.loc["factor", FEEDBACK, "halved"]
    assert row["error_N"] == pytest.approx(unchanged["error_N"] - unchanged["error_change_N"], rel=1e-9)
    assert row["yield"] == pytest.approx(unchanged["yield"] - unchanged["yield_change"], abs=1e-12)


def circuit_factor(**changes: Any) -> Factor:
    """A 1 % resistor."""
    made = Factor(
        name=FEEDBACK,
        quantity="circuit.feedback",
        role="circuit",
        level="unit",
        distribution=Rectangular(-0.01, 0.01),
        relative=True,
        cause="circuit tolerances",
        grades="tolerance",
    )
    return dataclasses.replace(made, **changes)


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, (0.5, 2.0)),
        ({"level": "lot"}, (0.5, 2.0)),
        ({"distribution": Normal(0.0, 0.005)}, (0.5, 2.0)),
        ({"distribution": Rectangular(-0.0102, 0.0102)}, (0.005 / 0.0102, 0.02 / 0.0102)),
        ({"distribution": Rectangular(-0.03, 0.03)}, (0.02 / 0.03, 0.05 / 0.03)),
        ({"distribution": Rectangular(-0.05, 0.05)}, (0.4, 2.0)),
        ({"distribution": Rectangular(-0.0005, 0.0005)}, None),
        ({"distribution": Rectangular(-0.2, 0.2)}, None),
        (
            {"relative": False, "grades": "temperature coefficient", "distribution": Rectangular(-1e-4, 1e-4)},
            (0.5, 2.5),
        ),
        ({"grades": "temperature coefficient"}, None),
        ({"relative": False, "distribution": Rectangular(-600.0, 600.0)}, None),
        ({"grades": None}, None),
        ({"role": "sensor"}, (0.5, 2.0)),
        ({"level": "reading"}, None),
    ],
)  # fmt: skip
def test_grades_of_parts(changes: dict[str, Any], expected: tuple[float, float] | None) -> None:
    """A tolerance in % and a temperature coefficient in 1/K of what declares grades have a next one (IEC 60062, from
    memory), in any role; the best and the worst grade, other units and what declares none have not."""
    found = grades_of(circuit_factor(**changes))
    assert found == (None if expected is None else pytest.approx(expected))


def test_half_width_of_a_spread() -> None:
    """Half of a range; two standard deviations where there are no ends (common practice, no source)."""
    assert half_width(circuit_factor()) == pytest.approx(0.01)
    assert half_width(circuit_factor(distribution=Normal(0.0, 0.004))) == pytest.approx(0.008)
    assert half_width(circuit_factor(distribution=Rectangular(-0.01, 0.03))) == pytest.approx(0.02)


def test_only_parts_with_grades_have_lines_for_them() -> None:
    """A sensor's spread and a placement have no grade and no such line; a resistor and its coefficient have both."""
    found = budget(mixed()).loc["factor"].reset_index()
    graded = found[found["change"].isin([TIGHTER, LOOSER])]
    assert set(graded["factor"]) == {FEEDBACK, "circuit.feedback_tempco per unit"}
    assert len(graded) == 4
    assert set(found[found["factor"] == SENSITIVITY]["change"]) == {"frozen", "halved", "doubled"}


@pytest.mark.parametrize("by", ["part", "level", "cause"])
def test_a_group_frozen_is_all_its_members_frozen(by: Any) -> None:
    """Error and yield of a group frozen are those of the case in which none of its members has a spread."""
    case = mixed()
    found = budget(case, ("frozen",), by=(by,)).loc[by].reset_index().set_index("factor")
    own = {
        "part": ("circuit", {"circuit": {"feedback": "60 kohm"}}),
        "level": ("loading", {"sensor": {**SENSOR_OF_MIXED, "reload_scatter": None}}),
        "cause": ("noise", {"converter": {"bits": 14}}),
    }
    name, tables = own[by]
    without = budget(mixed(**tables), ("frozen",), by=("factor",)).loc["factor"].iloc[0]
    row = found.loc[name]
    assert row["error_N"] == pytest.approx(without["error_N"] - without["error_change_N"], rel=1e-9)
    assert row["yield"] == pytest.approx(without["yield"] - without["yield_change"], abs=1e-12)


SENSOR_OF_MIXED = {
    "sensitivity": "4 uS +/- 10 %",
    "temperature_coefficient": "0.1 %/K +/- 0.05 %/K",
}


def test_groups_are_parts_of_one_whole() -> None:
    """In every grouping each factor belongs to one line, which names its part or level."""
    factors = model_of(mixed()).factors
    every = sorted(f.name for f in factors if f.quantity != "use.direction_draw")
    for by in ("factor", "part", "level", "cause"):
        lines = causes_of(factors, by)  # type: ignore[arg-type]
        assert sorted(key for line in lines for key in line.keys) == every
        assert len({line.name for line in lines}) == len(lines)
    assert {line.part for line in causes_of(factors, "part")} == {
        "sensor", "circuit", "converter", "use", "station",
    }  # fmt: skip
    assert all(line.level == line.name for line in causes_of(factors, "level"))


def test_a_group_of_one_is_its_member() -> None:
    """The only factor of a part makes the same line by factor and by part, for every change that both have."""
    found = budget(mixed(), ("frozen", "halved", "doubled"), by=("factor", "part"))
    one, alone = found.loc["factor", "station.reference_gain per station"], found.loc["part", "station"]
    numbers = [name for name in one.columns if name.startswith(("error", "yield"))]
    pd.testing.assert_frame_equal(one[numbers], alone[numbers], check_exact=True)


def test_what_grows_most_when_doubled_ranks_first() -> None:
    """Ranks of 'doubled' and 'one grade looser' go by growth, those of 'frozen' by gain; the change is printed with
    its sign."""
    case = pad_case(
        NONE, sensor={"sensitivity": "4 uS +/- 3 %"}, circuit={"feedback": "60 kohm +/- 1 %", "reference": "1.2 V"}
    )  # fmt: skip
    found = budget(case).loc["factor"]
    for change, sign in (("frozen", -1), ("halved", -1), ("doubled", 1)):
        rows = found.xs(change, level="change")
        assert (sign * rows["error_change_N"] > 0.0).all()
        assert rows.loc[SENSITIVITY, "rank"] == 1
        assert rows.loc[FEEDBACK, "rank"] == 2
    assert found.loc[(FEEDBACK, LOOSER), "rank"] == 1
    assert (
        found.loc[(FEEDBACK, LOOSER), "error_change_N"] == found.loc[(FEEDBACK, "doubled"), "error_change_N"]
    )


@pytest.mark.parametrize("calibration", [NONE, ONE_POINT])
def test_where_doubling_breaks_the_chain_its_line_says_so(calibration: dict[str, Any]) -> None:
    """A change by which the chain has no output any more reads 'no number'; the other lines stand and keep their
    ranks. A case that breaks as it is raises."""
    case = pad_case(
        calibration,
        sensor={"sensitivity": "4 uS +/- 5 %", "reload_scatter": "0.2 %"},
        circuit={"feedback": "60 kohm +/- 1 %"},
        study={"units": 300},
    )
    # 60 N are 12 uS: 5 % reaches 12.6 uS, twice as much 13.2 uS
    found = budget(without_output_beyond(case, 12.9e-6), by=("factor", "part"))
    broken = found[found["verdict"] == NO_NUMBER]
    assert set(broken.index) == {("factor", SENSITIVITY, "doubled"), ("part", "sensor", "doubled")}
    assert broken[["error_N", "error_change_N", "yield"]].isna().all(axis=None)
    sound = found[found["verdict"] != NO_NUMBER]
    assert sound[["error_N", "error_change_N", "yield"]].notna().all(axis=None)
    unbroken = budget(case, by=("factor", "part"))
    pd.testing.assert_frame_equal(
        sound.drop(columns="rank"), unbroken.loc[sound.index].drop(columns="rank"), check_exact=True
    )
    with pytest.raises(EvaluationError):
        budget(without_output_beyond(case, 12.1e-6))


def test_what_is_not_known_is_never_doubled() -> None:
    """Mean and spread known from few units can be frozen and halved (more units measured), never doubled; a group
    doubles its spreads and leaves what is not known as it is."""
    case = pad_case(
        NONE,
        sensor={"sensitivity": "4 uS +/- 6 % (2 sigma, from 5 units)"},
        study={"units": 500, "outer": None},
    )
    found = budget(case, by=("factor", "part"))
    known = "sensor.sensitivity per unit (from 5 units)"
    assert set(found.loc["factor", known].index) == {"frozen", "halved"}
    assert set(found.loc["factor", SENSITIVITY].index) == {"frozen", "halved", "doubled"}
    one, group = found.loc["factor", SENSITIVITY, "doubled"], found.loc["part", "sensor", "doubled"]
    assert group["error_N"] == one["error_N"]
    assert found.loc[("part", "sensor", "frozen"), "error_N"] == pytest.approx(0.0, abs=1e-9)
    assert found.loc[("factor", SENSITIVITY, "frozen"), "error_N"] == pytest.approx(0.0, abs=1e-9)


def test_order_of_groupings_and_workers_changes_nothing() -> None:
    """Lines are the same to the bit whatever else is asked for, and for any number of workers."""
    model = model_of(mixed())
    one = budget_of(model, by=("factor", "cause"), changes=EVERY_CHANGE, workers=1)
    two = budget_of(model, by=("cause", "factor"), changes=EVERY_CHANGE, workers=3)
    keys = ["option", "by", "factor", "change"]
    one, two = (each.set_index(keys).sort_index() for each in (one, two))
    pd.testing.assert_frame_equal(one, two, check_exact=True)
