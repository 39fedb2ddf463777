"""A small case that the command line is tried on."""

from __future__ import annotations

from pathlib import Path

import pytest

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
