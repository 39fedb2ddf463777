"""A study counted by a compiled kernel: the counts of array operations, for any cut of the study."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pad_study import EVERY_SPREAD, NONE, ONE_POINT, TWO_POINT, pad_case, with_a_branch, without_output_beyond
from same_counts import assert_same_bits, assert_same_counts

from margin.backends import run as backends_run
from margin.backends.compiled import choose, machine_code
from margin.backends.compiled.choose import CannotCompile
from margin.backends.run import run
from margin.case import Case, load_case, with_changes
from margin.propagation.store import RunFolderError
from margin.propagation.tally import EvaluationError

pytest.importorskip("llvmlite", reason="the compiler is an extra")

CASES = Path(__file__).parents[2] / "cases"
BOTH = ("kernel", "arrays")


def test_a_shipped_case_counts_as_by_array_operations() -> None:
    """The gripper pad with its eight options and two conditions of use."""
    case = with_changes(load_case(CASES / "gripper_amplifier" / "case.toml"), {"study.units": 600})
    assert_same_counts(run(case, compiled=True), run(case, compiled=False), BOTH)


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
def test_pads_of_many_kinds_count_as_by_array_operations(
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
    assert_same_counts(run(case, compiled=True), run(case, compiled=False), BOTH)


def test_neither_workers_nor_blocks_change_a_bit_of_the_kernel() -> None:
    """One, two and seven threads, blocks of one unit to all of them; vectors are filled up differently each time."""
    case = pad_case(TWO_POINT, **EVERY_SPREAD)
    whole = run(case, compiled=True, workers=1)
    for workers, block in ((2, None), (7, 13), (2, 10), (1, 37)):
        assert_same_bits(run(case, compiled=True, workers=workers, block=block), whole)


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
def test_every_kind_of_calibration_counts_as_by_array_operations(per_lot: bool, points: str) -> None:
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
    whole = run(case, compiled=True, workers=1)
    assert_same_counts(whole, run(case, compiled=False), BOTH)
    for workers, block in ((2, None), (3, 13), (1, 7), (2, 1)):
        assert_same_bits(run(case, compiled=True, workers=workers, block=block), whole)


@pytest.mark.parametrize(
    ("outputs", "how", "bits"),
    [
        (["0 uS", "6 uS", "9 uS", "11 uS", "11.2 uS"], "monotone cubic", 18),
        (["11.2 uS", "11 uS", "9 uS", "6 uS", "0.1 uS"], "monotone cubic", 12),
        (["0 uS", "6 uS", "9 uS", "11 uS", "11.2 uS"], "straight", 18),
    ],
    ids=["flat end", "falling", "straight"],
)
def test_a_measured_curve_counts_as_by_array_operations(outputs: list[str], how: str, bits: int) -> None:
    """Read off in the kernel, forth and back: by code where codes are few, in every reading where they are many."""
    sensor = {
        "kind": "tabulated", "loads": ["0 N", "20 N", "30 N", "45 N", "60 N"], "outputs": outputs, "interpolation": how,
        "gain": "1 +/- 5 % per lot, +/- 2 % per unit", "reload_scatter": "1 %", "temperature_coefficient": "0.1 %/K",
    }  # fmt: skip
    tables = {**EVERY_SPREAD, "sensor": sensor, "converter": {**EVERY_SPREAD["converter"], "bits": bits}}
    options = (NONE, {**TWO_POINT, "temperature_correction": True}, LOT_CURVE)
    case = pad_case(*options, **tables)
    whole = run(case, compiled=True)
    assert_same_counts(whole, run(case, compiled=False), BOTH)
    assert_same_bits(run(case, compiled=True, workers=2, block=10), whole)


def test_the_shipped_load_cell_counts_as_by_array_operations() -> None:
    """A measured curve of twenty-one points, seven options."""
    changes = {"study.units": 300, "study.outer": 3}
    case = with_changes(load_case(CASES / "load_cell" / "case.toml"), changes)
    assert_same_counts(run(case, compiled=True), run(case, compiled=False), BOTH)


def test_a_case_like_one_before_is_counted_for_itself() -> None:
    """Another number of units, another seed (classes are laid out by it) or another permissible error."""
    first = pad_case(ONE_POINT, {"kind": "classes", "classes": 3}, **EVERY_SPREAD)
    for change in ({}, {"study.units": 340}, {"study.seed": 6}, {"requirement.permissible_error": "2 N"}):
        case = with_changes(first, change)
        assert_same_counts(run(case, compiled=True), run(case, compiled=False), BOTH)


def test_a_case_that_cannot_be_compiled_takes_array_operations(monkeypatch: pytest.MonkeyPatch) -> None:
    """A branch on drawn values: by itself array operations are taken, and asking for the other is answered."""
    for module in (choose, backends_run):
        monkeypatch.setattr(module, "WORTH_COMPILING", 0.0)
    case = with_a_branch(pad_case(ONE_POINT, **EVERY_SPREAD))
    found = run(case)
    assert found.path == "arrays"
    assert found.uncompiled
    assert run(case, compiled=False).uncompiled == ""
    with pytest.raises(CannotCompile, match=r"cannot be compiled .*omit --compiled"):
        run(case, compiled=True)


def test_without_the_compiler_array_operations_are_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    """The extra is optional; who asks for it is told its name."""
    monkeypatch.setattr(choose, "WORTH_COMPILING", 0.0)
    monkeypatch.setattr(choose, "can_compile", lambda: False)
    case = pad_case(ONE_POINT, **EVERY_SPREAD)
    assert run(case).path == "arrays"
    with pytest.raises(CannotCompile, match="llvmlite"):
        run(case, compiled=True)


def test_large_studies_are_compiled_and_small_ones_are_not(monkeypatch: pytest.MonkeyPatch) -> None:
    """Compiling pays from some number of readings on, counted for each option."""
    case = pad_case(ONE_POINT, **EVERY_SPREAD)
    # 230 units of lots of 8 are rounded up to 232
    readings = 232 * 8 * 7
    monkeypatch.setattr(choose, "WORTH_COMPILING", float(readings))
    assert run(case).path == "kernel"
    monkeypatch.setattr(choose, "WORTH_COMPILING", float(readings + 1))
    assert run(case).path == "arrays"
    assert machine_code.can_compile()


@pytest.mark.parametrize("calibration", [NONE, ONE_POINT], ids=["in use", "at the calibration"])
def test_errors_that_are_not_numbers_are_named_as_by_array_operations(calibration: dict[str, Any]) -> None:
    """A sensor whose output is not a number in some units: the message is that of array operations."""
    case = pad_case(calibration, sensor={"sensitivity": "4 uS +/- 5 %"})
    case = without_output_beyond(case, 12.2e-6 if calibration is NONE else 6.1e-6)
    messages = []
    for compiled in (True, False):
        with pytest.raises(EvaluationError) as caught:
            run(case, compiled=compiled)
        messages.append(str(caught.value))
    assert messages[0] == messages[1]


def test_a_kept_run_is_not_continued_on_the_other_path(tmp_path: Path) -> None:
    """Their last bits differ, so that the folder says which path it holds."""
    case: Case = pad_case(ONE_POINT, **EVERY_SPREAD)
    run(case, compiled=False, resume=tmp_path / "kept")
    with pytest.raises(RunFolderError, match="path"):
        run(case, compiled=True, resume=tmp_path / "kept")
