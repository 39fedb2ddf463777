"""A study counted by a compiled kernel: the counts of the plain path, for any cut of the study."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pad_study import EVERY_SPREAD, NONE, ONE_POINT, TWO_POINT, pad_case, without_output_beyond
from same_counts import assert_same_bits, assert_same_counts

from margin.backends.compiled import choose, machine_code
from margin.backends.compiled.choose import CannotFuse
from margin.backends.run import run
from margin.case import Case, load_case, with_changes
from margin.chain.elements import Contact
from margin.chain.parameter import Value
from margin.chain.setting import Setting
from margin.propagation.store import RunFolderError
from margin.propagation.tally import EvaluationError

pytest.importorskip("llvmlite", reason="the fused path is an extra")

CASES = Path(__file__).parents[2] / "cases"
BOTH = ("fused", "plain")


def with_a_branch(case: Case) -> Case:
    """The case with a sensor that asks for the values of what is drawn."""
    sound = case.elements["sensor"].cls

    @dataclasses.dataclass(frozen=True, kw_only=True)
    class Branching(sound):  # type: ignore[misc, valid-type]
        def output(self, contact: Contact, setting: Setting) -> Value:
            found = super().output(contact, setting)
            return found if np.max(found) < 1.0 else np.minimum(found, 1.0)

    branching = dataclasses.replace(case.elements["sensor"], cls=Branching)
    return dataclasses.replace(case, elements={**case.elements, "sensor": branching})


def test_a_shipped_case_counts_as_on_the_plain_path() -> None:
    """The gripper pad with its eight options and two conditions of use."""
    case = with_changes(load_case(CASES / "gripper_amplifier" / "case.toml"), {"study.units": 600})
    assert_same_counts(run(case, fused=True), run(case, fused=False), BOTH)


@settings(max_examples=6, deadline=None)
@given(
    circuit=st.sampled_from(
        [
            {},
            {"kind": "voltage divider", "reference": "3 V", "resistor": "100 kohm +/- 1 %", "buffered": True},
        ]
    ),
    option=st.sampled_from(
        [
            NONE,
            {"kind": "tare", "space": "signal"},
            {**ONE_POINT, "reloads": 2},
            {**TWO_POINT, "space": "logarithm"},
            {**TWO_POINT, "direction": "both", "samples": 3, "temperature_correction": True},
            {"kind": "multi-point", "loads": ["6 N", "20 N", "54 N"], "fit": "piecewise", "space": "signal"},
        ]
    ),
    bits=st.sampled_from([None, 12, 18]),
    points=st.sampled_from(["random", "sobol"]),
    readings=st.sampled_from([1, 3]),
)
def test_pads_of_many_kinds_count_as_on_the_plain_path(
    circuit: dict[str, Any], option: dict[str, Any], bits: int | None, points: str, readings: int
) -> None:
    """Whatever circuit, calibration, converter and points: the same whole numbers."""
    tables = {
        **EVERY_SPREAD,
        "circuit": {**EVERY_SPREAD["circuit"], **circuit} if "kind" not in circuit else circuit,
        "converter": {**EVERY_SPREAD["converter"], "bits": bits},
        "use": {**EVERY_SPREAD["use"], "readings": readings, "loadings": 1},
        "study": {**EVERY_SPREAD["study"], "points": points},
    }  # fmt: skip
    if bits is None:
        tables.pop("converter")
    case = pad_case(option, **tables)
    assert_same_counts(run(case, fused=True), run(case, fused=False), BOTH)


def test_neither_workers_nor_blocks_change_a_bit_of_the_fused_path() -> None:
    """One, two and seven threads, blocks of one unit to all of them; vectors are filled up differently each time."""
    case = pad_case(TWO_POINT, **EVERY_SPREAD)
    whole = run(case, fused=True, workers=1)
    for workers, block in ((2, None), (7, 13), (2, 10), (1, 37)):
        assert_same_bits(run(case, fused=True, workers=workers, block=block), whole)


LOT_CURVE: dict[str, Any] = {"kind": "lot-curve", "loads": ["6 N", "30 N", "54 N"]}
EVERY_KIND: list[dict[str, Any]] = [
    NONE,
    {"kind": "tare"},
    ONE_POINT,
    {**TWO_POINT, "direction": "both", "tare": True},
    {"kind": "multi-point", "loads": ["6 N", "20 N", "40 N", "54 N"], "weights": "relative"},
    {**LOT_CURVE, "name": "lot"},
    {**LOT_CURVE, "name": "lot in logarithms", "space": "logarithm", "degree": 1, "sample_units": 2},
    {**LOT_CURVE, "name": "lot by lines", "space": "signal", "fit": "piecewise", "tare": True, "samples": 2},
    {"kind": "classes", "classes": 3},
]
"""All kinds of calibration, curves of the lot in several spaces."""


@pytest.mark.parametrize("points", ["random", "latin", "sobol"])
@pytest.mark.parametrize("per_lot", [True, False], ids=["lots differ", "lots alike"])
def test_every_kind_of_calibration_counts_as_on_the_plain_path(per_lot: bool, points: str) -> None:
    """Curves of the lot among them, whose sample units are no units of the block; any cut gives the same bits.

    Where lots are alike, blocks begin and end inside a lot.
    """
    sensor = (
        EVERY_SPREAD["sensor"]
        if per_lot
        else {**EVERY_SPREAD["sensor"], "sensitivity": "4 uS +/- 8 % per unit"}
    )
    study = {"units": 130, "outer": 2, "units_per_lot": 20, "points": points}
    case = pad_case(*EVERY_KIND, **{**EVERY_SPREAD, "sensor": sensor, "study": study})
    whole = run(case, fused=True, workers=1)
    assert_same_counts(whole, run(case, fused=False), BOTH)
    for workers, block in ((2, None), (3, 13), (1, 7), (2, 1)):
        assert_same_bits(run(case, fused=True, workers=workers, block=block), whole)


@pytest.mark.parametrize(
    ("outputs", "how", "bits"),
    [
        (["0 uS", "6 uS", "9 uS", "11 uS", "11.2 uS"], "monotone cubic", 18),
        (["11.2 uS", "11 uS", "9 uS", "6 uS", "0.1 uS"], "monotone cubic", 12),
        (["0 uS", "6 uS", "9 uS", "11 uS", "11.2 uS"], "straight", 18),
    ],
    ids=["flat end", "falling", "straight"],
)
def test_a_measured_curve_counts_as_on_the_plain_path(outputs: list[str], how: str, bits: int) -> None:
    """Read off in the kernel, forth and back: by code where codes are few, in every reading where they are many."""
    sensor = {
        "kind": "tabulated", "loads": ["0 N", "20 N", "30 N", "45 N", "60 N"], "outputs": outputs, "interpolation": how,
        "gain": "1 +/- 5 % per lot, +/- 2 % per unit", "reload_scatter": "1 %", "temperature_coefficient": "0.1 %/K",
    }  # fmt: skip
    tables = {**EVERY_SPREAD, "sensor": sensor, "converter": {**EVERY_SPREAD["converter"], "bits": bits}}
    options = (NONE, {**TWO_POINT, "temperature_correction": True}, LOT_CURVE)
    case = pad_case(*options, **tables)
    whole = run(case, fused=True)
    assert_same_counts(whole, run(case, fused=False), BOTH)
    assert_same_bits(run(case, fused=True, workers=2, block=10), whole)


def test_the_shipped_load_cell_counts_as_on_the_plain_path() -> None:
    """A measured curve of twenty-one points, seven options."""
    changes = {"study.units": 300, "study.outer": 3}
    case = with_changes(load_case(CASES / "load_cell" / "case.toml"), changes)
    assert_same_counts(run(case, fused=True), run(case, fused=False), BOTH)


def test_a_case_like_one_before_is_counted_for_itself() -> None:
    """Another number of units, another seed (classes are laid out by it) or another permissible error."""
    first = pad_case(ONE_POINT, {"kind": "classes", "classes": 3}, **EVERY_SPREAD)
    for change in ({}, {"study.units": 340}, {"study.seed": 6}, {"requirement.permissible_error": "2 N"}):
        case = with_changes(first, change)
        assert_same_counts(run(case, fused=True), run(case, fused=False), BOTH)


def test_a_case_that_cannot_be_compiled_takes_the_plain_path(monkeypatch: pytest.MonkeyPatch) -> None:
    """A branch on drawn values: by itself the plain path is taken, and asking for the other is answered."""
    monkeypatch.setattr(choose, "WORTH_COMPILING", 0.0)
    case = with_a_branch(pad_case(ONE_POINT, **EVERY_SPREAD))
    assert run(case).path == "plain"
    with pytest.raises(CannotFuse, match=r"cannot be compiled .*leave the way of computing to be decided"):
        run(case, fused=True)


def test_without_the_compiler_the_plain_path_is_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    """The extra is optional; who asks for it is told its name."""
    monkeypatch.setattr(choose, "WORTH_COMPILING", 0.0)
    monkeypatch.setattr(choose, "can_compile", lambda: False)
    case = pad_case(ONE_POINT, **EVERY_SPREAD)
    assert run(case).path == "plain"
    with pytest.raises(CannotFuse, match="llvmlite"):
        run(case, fused=True)


def test_large_studies_are_fused_and_small_ones_are_not(monkeypatch: pytest.MonkeyPatch) -> None:
    """Compiling pays from some number of readings on, counted for each option."""
    case = pad_case(ONE_POINT, **EVERY_SPREAD)
    # 230 units of lots of 8 are rounded up to 232
    readings = 232 * 8 * 7
    monkeypatch.setattr(choose, "WORTH_COMPILING", float(readings))
    assert run(case).path == "fused"
    monkeypatch.setattr(choose, "WORTH_COMPILING", float(readings + 1))
    assert run(case).path == "plain"
    assert machine_code.can_compile()


@pytest.mark.parametrize("calibration", [NONE, ONE_POINT], ids=["in use", "at the calibration"])
def test_errors_that_are_not_numbers_are_named_as_on_the_plain_path(calibration: dict[str, Any]) -> None:
    """A sensor whose output is not a number in some units: the message is that of the plain path."""
    case = pad_case(calibration, sensor={"sensitivity": "4 uS +/- 5 %"})
    case = without_output_beyond(case, 12.2e-6 if calibration is NONE else 6.1e-6)
    messages = []
    for fused in (True, False):
        with pytest.raises(EvaluationError) as caught:
            run(case, fused=fused)
        messages.append(str(caught.value))
    assert messages[0] == messages[1]


def test_a_kept_run_is_not_continued_on_the_other_path(tmp_path: Path) -> None:
    """Their last bits differ, so that the folder says which path it holds."""
    case: Case = pad_case(ONE_POINT, **EVERY_SPREAD)
    run(case, fused=False, resume=tmp_path / "kept")
    with pytest.raises(RunFolderError, match="path"):
        run(case, fused=True, resume=tmp_path / "kept")
