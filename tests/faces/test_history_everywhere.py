"""A case with a load history and a new zero before each use, in every command that takes a case."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import pytest
from few_parts import few_parts

import margin
from margin.case.load import read_case
from margin.case.types import Case

CASE = """
[case]
unstated = "zero"
[load]
range = "5 N to 60 N"
[history]
steps = ["0 N for 2 s", "20 N for 1 s, read", "60 N for 30 s", "0 N for 3 s", "5 N for 500 ms, read"]
repeat = 2
[requirement]
permissible_error = "larger of 8 % of reading and 0.6 N"
[sensor]
kind = "thin film"
sensitivity = "4 uS +/- 5 % (2 sigma)"
reference_load = "20 N"
reload_scatter = "2 %"
zero_return = "1 % +/- 0.5 %"
[circuit]
kind = "inverting amplifier"
reference = "1.2 V"
feedback = "60 kohm +/- 1 %"
voltage_noise = "20 nV/sqrt(Hz)"
noise_bandwidth = "1 kHz"
[[calibration]]
kind = "none"
rezero = true
[study]
units = 2048
draw = "all units"
"""

FACES: dict[str, Callable[[Case], object]] = {
    "accept": lambda case: margin.accept(case, units=128, workers=1),
    "age": lambda case: margin.age(case, units=128, points=2, workers=1),
    "budget": lambda case: margin.budget(case, runs=1000, workers=1),
    "overturn": lambda case: margin.overturn(case, "none", units=256, pairs=False, workers=1),
    "size": lambda case: margin.size(case, option="none", parts=few_parts(), designs=1, workers=1),
}


@cache
def case() -> Case:
    """The case, read."""
    return read_case(CASE)


@pytest.mark.parametrize("face", FACES)
def test_each_command_has_an_answer(face: str) -> None:
    """What is drawn by placement or read before it has its place along the steps, whoever draws it."""
    assert str(FACES[face](case())).strip()


def test_the_probability_of_failing_is_that_of_the_study() -> None:
    """The estimator of rare failures, which draws units by columns, finds the failing share of the study."""
    study = margin.estimate(case(), budget=False, workers=1)
    (row,) = study.yields.to_dict("records")
    found = margin.rare(case(), "none", budget=20_000).result
    assert found.low <= 1.0 - row["yield_low"] and 1.0 - row["yield_high"] <= found.high
    assert 0.001 < found.probability < 0.5
