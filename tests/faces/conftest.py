"""A small case that the command line is tried on."""

from __future__ import annotations

from pathlib import Path

import pytest

from margin.estimates import evaluate as evaluation

CASE = """
[case]
unstated = "zero"
[load]
range = "2 N to 20 N"
check = ["2 N", "20 N"]
[requirement]
permissible_error = "50 % of reading"
[sensor]
kind = "thin film"
sensitivity = "40 uS +/- 10 %"
reference_load = "10 N"
[circuit]
kind = "inverting amplifier"
reference = "1.2 V"
feedback = "10 kohm"
[study]
units = 200
"""


@pytest.fixture
def case(tmp_path: Path) -> Path:
    """A case that any calibration meets."""
    path = tmp_path / "case.toml"
    path.write_text(CASE, encoding="utf-8")
    return path


@pytest.fixture(autouse=True)
def few_effects(monkeypatch: pytest.MonkeyPatch) -> None:
    """Effects of causes in a report, three quarters of the time of so small a study, from few evaluations: what they
    are is tried with the estimates, here how they are shown."""
    monkeypatch.setattr(evaluation, "runs_of_report", lambda model: 2000)
