"""The maximum permissible error as the trade states it: of reading, span, full scale and rated load."""

from __future__ import annotations

import numpy as np
import pytest
from case_texts import BRIDGE, case_text

from margin.case.faults import CaseError
from margin.case.load import read_case
from margin.case.types import Case
from margin.messages.requirement import requirement_in_words
from margin.propagation.frame import permissible_error

LOAD_CELL = 'kind = "strain-gauge bridge"\nrated_load = "100 N"\nrated_output = "2 mV/V"'


def case_of(text: str, **tables: str) -> Case:
    return read_case(case_text(requirement=f'permissible_error = "{text}"', **tables))


def limits(case: Case) -> list[float]:
    found = permissible_error(case.requirement, np.array([2.0, 30.0, 60.0]), case.span)
    return [float(each) for each in found]


def test_full_scale_is_the_highest_load() -> None:
    """1 % of full scale of 2 N to 60 N is 0.6 N; 1 % of its span is 0.58 N."""
    assert limits(case_of("1 % of full scale")) == pytest.approx([0.6, 0.6, 0.6])
    assert limits(case_of("1 % of span")) == pytest.approx([0.58, 0.58, 0.58])


def test_rated_load_is_that_of_the_sensor() -> None:
    """0.5 % of a load cell's 100 N is 0.5 N, whatever part of its range is used."""
    case = case_of("0.5 % of rated load", sensor=LOAD_CELL, circuit=BRIDGE)
    assert limits(case) == pytest.approx([0.5, 0.5, 0.5])


def test_rated_load_may_be_stated_for_other_sensors() -> None:
    """[load] rated serves a sensor without a rated load."""
    case = case_of("0.5 % of the rated load", load='range = "2 N to 60 N"\nrated = "80 N"')
    assert limits(case) == pytest.approx([0.4, 0.4, 0.4])


def test_parts_combine() -> None:
    """The larger, or the sum, of parts of every kind at 2, 30 and 60 N."""
    sensor = {"sensor": LOAD_CELL, "circuit": BRIDGE}
    parts = "2 % of reading and 1 % of full scale and 0.5 % of rated load"
    assert limits(case_of(f"larger of {parts}", **sensor)) == pytest.approx([0.6, 0.6, 1.2])
    assert limits(case_of(f"sum of {parts} and 0.1 N", **sensor)) == pytest.approx([1.24, 1.8, 2.4])


def test_reports_say_of_what() -> None:
    """The words of the requirement name what each share is of, and its size."""
    case = case_of("larger of 1 % of full scale and 0.5 % of rated load", sensor=LOAD_CELL, circuit=BRIDGE)
    words = requirement_in_words(case)[1].replace("\N{NO-BREAK SPACE}", " ")
    assert "larger of 1 % of full scale (600 mN) and 0.5 % of rated load (500 mN)" in words


def test_many_decimals_are_read() -> None:
    """A share with ten decimals and more, or with an exponent, is read as it stands."""
    assert case_of("6.0000000000001 % of reading").requirement.reading == 0.060000000000001
    assert case_of("0.33333333333333333333 % of span").requirement.span == pytest.approx(
        1.0 / 300.0, rel=1e-15
    )
    assert case_of("1.5e-1 % of full scale").requirement.full_scale == 0.0015
    assert case_of("500 ppm of span").requirement.span == 0.0005


def test_a_full_scale_part_serves_at_zero_load() -> None:
    """A part of full scale keeps the limit above 0 at a check load of 0 N."""
    case = case_of("larger of 6 % of reading and 1 % of full scale", load='range = "0 N to 60 N"')
    assert case.check_loads[0] == 0.0


def test_a_rated_load_that_nobody_states() -> None:
    """The message says where a rated load can be stated."""
    with pytest.raises(CaseError) as found:
        case_of("0.5 % of rated load")
    assert str(found.value) == (
        'case: [requirement] permissible_error = "0.5 % of rated load": a sensor of kind "thin film" has no rated '
        'load, and [load] states none; write such as rated = "100 N" in [load]'
    )
