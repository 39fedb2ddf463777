"""A study counted by a compiled kernel: the counts of the plain path, for any cut of the study."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pad_study import NONE, ONE_POINT, TWO_POINT, pad_case, without_output_beyond

from margin.case import Case, load_case, with_changes
from margin.propagation.fused import choose, compiled
from margin.propagation.fused.choose import CannotFuse
from margin.propagation.run import RunResult, run
from margin.propagation.store import RunFolderError
from margin.propagation.tally import EvaluationError, Tally

pytest.importorskip("llvmlite", reason="the fused path is an extra")

CASES = Path(__file__).parents[2] / "cases"
SPREAD: dict[str, Any] = {
    "sensor": {
        "sensitivity": "4 uS +/- 8 % per lot, +/- 8 % (2 sigma) per unit", "exponent": "0.85 +/- 0.02 (2 sigma)",
        "reload_scatter": "1.5 %", "hysteresis": "1 %", "creep": "2 % +/- 0.5 %",
    },
    "circuit": {"offset": "0 mV +/- 1 mV"},
    "converter": {"bits": 12, "noise": 0.7, "integral_nonlinearity": 1},
    "use": {
        "temperature": "5 degC to 40 degC", "dwell": "0.3 s to 3 s", "direction": "either", "conditions": 2,
        "loadings": 2, "readings": 2,
    },
    "station": {"temperature": "25 degC +/- 2 K", "reference_scatter": "0.05 N", "reference_gain": "0 +/- 0.2 %"},
    "study": {"units": 230, "outer": 1, "units_per_lot": 10},
}  # fmt: skip


def assert_same_counts(fused: RunResult, plain: RunResult) -> None:
    """All whole numbers are equal; extremes up to the last bits of exponentials and logarithms."""
    assert (fused.path, plain.path) == ("fused", "plain")
    assert fused.tallies.keys() == plain.tallies.keys()
    for name, tally in fused.tallies.items():
        for field in dataclasses.fields(Tally):
            ours, theirs = getattr(tally, field.name), getattr(plain.tallies[name], field.name)
            if field.name in ("low", "high"):
                np.testing.assert_allclose(ours, theirs, rtol=1e-9, atol=1e-9)
            else:
                np.testing.assert_array_equal(ours, theirs, err_msg=f"{name}: {field.name}")
        np.testing.assert_array_equal(fused.samples[name], plain.samples[name])
    np.testing.assert_array_equal(fused.clipped, plain.clipped)
    np.testing.assert_array_equal(fused.blind, plain.blind)


def assert_same_bits(one: RunResult, other: RunResult) -> None:
    """Every number of the results is the same."""
    for name, tally in one.tallies.items():
        for field in dataclasses.fields(Tally):
            np.testing.assert_array_equal(
                getattr(tally, field.name), getattr(other.tallies[name], field.name), err_msg=field.name
            )


def test_a_shipped_case_counts_as_on_the_plain_path() -> None:
    """The gripper pad with its eight options and two conditions of use."""
    case = with_changes(load_case(CASES / "gripper_amplifier" / "case.toml"), {"study.units": 600})
    assert_same_counts(run(case, fused=True), run(case, fused=False))


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
        **SPREAD,
        "circuit": {**SPREAD["circuit"], **circuit} if "kind" not in circuit else circuit,
        "converter": {**SPREAD["converter"], "bits": bits},
        "use": {**SPREAD["use"], "readings": readings, "loadings": 1},
        "study": {**SPREAD["study"], "points": points},
    }  # fmt: skip
    if bits is None:
        tables.pop("converter")
    case = pad_case(option, **tables)
    assert_same_counts(run(case, fused=True), run(case, fused=False))


def test_neither_workers_nor_blocks_change_a_bit_of_the_fused_path() -> None:
    """One, two and seven threads, blocks of one unit to all of them; vectors are filled up differently each time."""
    case = pad_case(TWO_POINT, **SPREAD)
    whole = run(case, fused=True, workers=1)
    for workers, block in ((2, None), (7, 13), (2, 10), (1, 37)):
        assert_same_bits(run(case, fused=True, workers=workers, block=block), whole)


def test_a_case_that_cannot_be_compiled_takes_the_plain_path(monkeypatch: pytest.MonkeyPatch) -> None:
    """Lines between points search: by itself the plain path is taken, and asking for the other is answered."""
    monkeypatch.setattr(choose, "WORTH_COMPILING", 0.0)
    case = pad_case({"kind": "multi-point", "loads": ["6 N", "30 N", "54 N"], "fit": "piecewise"}, **SPREAD)
    assert run(case).path == "plain"
    with pytest.raises(CannotFuse, match="cannot be compiled"):
        run(case, fused=True)


def test_without_the_compiler_the_plain_path_is_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    """The extra is optional; who asks for it is told its name."""
    monkeypatch.setattr(choose, "WORTH_COMPILING", 0.0)
    monkeypatch.setattr(choose, "can_compile", lambda: False)
    case = pad_case(ONE_POINT, **SPREAD)
    assert run(case).path == "plain"
    with pytest.raises(CannotFuse, match="fast"):
        run(case, fused=True)


def test_large_studies_are_fused_and_small_ones_are_not(monkeypatch: pytest.MonkeyPatch) -> None:
    """Compiling pays from some number of readings on, counted for each option."""
    case = pad_case(ONE_POINT, **SPREAD)
    readings = 230 * 8 * 7
    monkeypatch.setattr(choose, "WORTH_COMPILING", float(readings))
    assert run(case).path == "fused"
    monkeypatch.setattr(choose, "WORTH_COMPILING", float(readings + 1))
    assert run(case).path == "plain"
    assert compiled.can_compile()


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
    case: Case = pad_case(ONE_POINT, **SPREAD)
    run(case, fused=False, resume=tmp_path / "kept")
    with pytest.raises(RunFolderError, match="path"):
        run(case, fused=True, resume=tmp_path / "kept")
