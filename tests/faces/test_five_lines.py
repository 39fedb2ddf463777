"""The Python face: load, change, estimate, look, save."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_shipped import copy_cases

import margin


def test_five_lines_give_screen_frames_and_report(tmp_path: Path) -> None:
    """A study prints as the terminal shows it, shows in a notebook, has frames and saves itself; of the shipped case
    with two of its options, since each option has pictures of its own."""
    copy_cases(tmp_path)
    case = margin.load(tmp_path / "cases" / "gripper_amplifier" / "case.toml")
    study = margin.estimate(case, budget=False)
    assert str(study).startswith("Gripper pad, inverting amplifier:")
    assert "<table" in study._repr_html_()
    assert len(study.yields) == len(case.calibrations)
    assert {"load_N", "p95_abs_N"} <= set(study.errors.columns)
    assert study.save(tmp_path / "report").is_file()


def test_unknown_names_are_refused() -> None:
    """The package offers what its docstring lists and nothing else."""
    with pytest.raises(AttributeError, match="no attribute 'guess'"):
        _ = margin.guess
