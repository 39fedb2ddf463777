"""The file of measures: faults, proposals, and what a set changes of the case."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import pytest
from gain_designs import MEASURES, file_of, gain_case
from pad_study import EVERY_LEVEL, NONE, ONE_POINT, TWO_POINT, pad_case

import margin
from margin.case.faults import CaseError
from margin.design.measures import Measure, Prices, load_measures, propose, read_measures
from margin.design.measures.apply import changed_case, changes_of, seconds_of
from margin.design.measures.draft import text_of
from margin.propagation.factors import factors_of

GRIPPER = Path(__file__).parents[2] / "cases" / "gripper_divider"


def with_measure(**changed: Any) -> dict[str, Any]:
    """The file with its first measure replaced."""
    first = {"name": "new", "changes": ["circuit.feedback=51 kohm"], **changed}
    first = {key: value for key, value in first.items() if value is not None}
    return file_of(1.0, 1.0, measure=[first, *MEASURES[3:]])


FAULTS: dict[str, tuple[Any, str]] = {
    "no TOML": ("today = [", "measures: is not TOML"),
    "no table of today": ({"measure": MEASURES}, r"\[today\]: missing.*write \[today\] option = .none. or .one-point."),
    "no measures": (file_of(1.0, 1.0, measure=[]), r"\[measure\]: there is none; write \[\[measure\]\]"),
    "unknown table": (file_of(1.0, 1.0, pries={}), r"\[pries\]: unknown table; did you mean \[prices\]"),
    "unknown key": (with_measure(cots=0.3), r"\[measure 1\] cots = 0.3: unknown key; did you mean .cost."),
    "unknown calibration of today": (
        file_of(1.0, 1.0, today={"option": "two"}), r"\[today\] option = .two.: is no calibration option of the case",
    ),
    "unknown calibration of a measure": (
        with_measure(option="one-poin"), r"\[measure 1\] option = .one-poin.: is no calib.*did you mean .one-point.",
    ),
    "no change": (with_measure(changes=["circuit.feedback"]), r"changes = .circuit.feedback.: is no change of a key"),
    "unknown quantity": (
        with_measure(changes=["circuit.fedback=5 kohm"]),
        r"\[measure 1\] changes = .*refused by the case: circuit.fedback: unknown key; did you mean .feedback.",
    ),
    "wrong unit": (with_measure(changes=["circuit.feedback=5 kg"]), "refused by the case: circuit.feedback: .*kg"),
    "a change of nothing": (with_measure(changes=[]), "changes nothing of today's design"),
    "two writers of one key": (
        with_measure(changes=["option.tare=true"], name="one")
        | {"measure": [{"name": n, "changes": ["circuit.feedback=51 kohm"]} for n in ("one", "two")]},
        r"\[measure 2\] changes: changes circuit.feedback, as measure 1 \(.one.\) does; give both the same group",
    ),
    "the same name": (
        file_of(1.0, 1.0, measure=[MEASURES[0], MEASURES[0]]), r"\[measure 2\] name = .sensor B.: is the name of an",
    ),
    "paid once by nobody": (with_measure(once=100.0), r"once = 100.0: is paid once.*write \[prices\] volume"),
    "a negative price": (
        file_of(1.0, 1.0, prices={"unit": -1.0}), r"\[prices\] unit = -1.0: must be at least 0",
    ),
    "no number": (with_measure(cost=float("nan")), r"\[measure 1\] cost = nan: must be a finite number"),
    "a time without a unit": (with_measure(seconds=4), r"seconds = 4: a time needs a unit"),
    "all recovered": (
        file_of(1.0, 1.0, prices={"recovered": "100 %"}), r"recovered = .100 %.: is not a share from 0 % to below",
    ),
    "a group of its own for a calibration": (
        with_measure(option="one-point", group="mine"), r"group = .mine.: cannot be the group of a measure that names",
    ),
    "too many": (file_of(1.0, 1.0, measure=[{"name": str(k)} for k in range(61)]), "61 measures are too many"),
}  # fmt: skip


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_one_clear_message(name: str) -> None:
    """What is wrong with a file of measures is said in one line: place, value, why, and the remedy."""
    source, message = FAULTS[name]
    with pytest.raises(CaseError, match=message) as caught:
        read_measures(source, gain_case(0.06, 0.95))
    assert len(str(caught.value).splitlines()) == 1


def test_a_set_is_a_change_of_the_case() -> None:
    """Keys of the option in force are written under its name, and the case has that option alone."""
    case = pad_case(NONE, ONE_POINT, TWO_POINT)
    taken = (
        Measure("two", option="two-point"),
        Measure("averaged", changes=(("option.reloads", "4"),)),
        Measure("grade", changes=(("circuit.feedback", "60 kohm +/- 0.1 %"),)),
    )
    assert changes_of("none", taken) == {
        "calibration.two-point.reloads": "4", "circuit.feedback": "60 kohm +/- 0.1 %",
    }  # fmt: skip
    changed = changed_case(case, "none", taken)
    assert [(spec.name, spec.reloads) for spec in changed.calibrations] == [("two-point", 4)]
    assert (
        seconds_of(changed)
        > seconds_of(changed_case(case, "none", taken[:1]))
        > seconds_of(changed_case(case, "none", ()))
    )
    assert {f.name for f in factors_of(changed)} - {f.name for f in factors_of(case)} == {
        "circuit.feedback per unit"
    }


def test_cost_of_a_good_unit() -> None:
    """Worked by hand: parts 10 + 0.5, 3000 among 1000 units, 36 s at 100 an hour make 14.5; of ten units one fails, is
    reworked for 2 and then conforms in half of the cases: (14.5 + 0.2) / 0.95."""
    prices = Prices(unit=10.0, hour=100.0, rework=2.0, recovered=0.5, volume=1000.0)
    made = prices.made((Measure("a", cost=0.5, once=3000.0),), 36.0)
    assert made == pytest.approx(14.5)
    assert prices.good(made, 0.9) == pytest.approx(14.7 / 0.95)
    assert prices.good(made, 1.0) == made
    assert Prices().good(1.0, 0.0) == float("inf")


def test_measures_are_proposed_that_the_case_accepts_again() -> None:
    """A proposal, written and read, is the same; it holds other calibrations, averaging, grades of leading causes and
    more sensors, each a change that moves the case."""
    study = {"units": 3000, "outer": 100}
    case = pad_case(
        NONE, ONE_POINT, **{**EVERY_LEVEL, "study": study, "use": {**EVERY_LEVEL["use"], "dwell": "9 s"}}
    )
    found = propose(case, workers=1)
    read = read_measures(text_of(found, case.name), case)
    assert read == dataclasses.replace(found, path=None)
    names = [each.name for each in found.measures]
    assert found.option == "none" and names[:2] == ["calibration: one-point", "sorted into 4 classes"]
    assert {"3 reloads averaged", "5 reloads averaged", "4 samples averaged"} <= set(names)
    assert any("more sensors measured" in name for name in names)
    assert any(key == "design_curve.branch" for each in found.measures for key, _ in each.changes)
    assert all("no source" in each.source for each in found.measures if each.cost or each.once)
    for each in found.measures:
        assert changed_case(case, found.option, [each]) != changed_case(case, found.option, ())


def test_better_versions_are_proposed_where_there_is_one_calibration() -> None:
    """With a single option the next kinds of calibration are measures, and exclude each other."""
    found = propose(pad_case(ONE_POINT, **EVERY_LEVEL, study={"units": 3000, "outer": 100}), workers=1)
    kinds = [each for each in found.measures if any(key == "option.kind" for key, _ in each.changes)]
    assert kinds and {each.group for each in kinds} == {"calibration option"}


def test_the_measures_of_the_gripper_are_sound_and_invented() -> None:
    """The shipped file of measures fits its case, names where each price comes from, and says that all are invented."""
    case = margin.load(GRIPPER / "case.toml")
    found = load_measures(GRIPPER / "measures.toml", case)
    assert found.notes.startswith("Invented prices") and len(found.measures) >= 12
    for each in found.measures:
        assert each.source == ("invented" if each.cost or each.once else "the time on the station alone"), (
            each.name
        )
