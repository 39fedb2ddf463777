"""A converter of 0 bits, and none at all; the line that a nonlinearity is stated from."""

from __future__ import annotations

import dataclasses

import pytest
from case_texts import case_text

import margin
from margin.case.faults import CaseError
from margin.case.load import read_case

NONE_STATED = "converter: ideal converter (none stated): no quantisation"


def test_no_table_and_no_bits_are_one_case() -> None:
    """A case without [converter] and one with bits = 0 say the same of their converter, and are the same."""
    absent, stated = read_case(case_text()), read_case(case_text(converter="bits = 0"))
    for case in (absent, stated):
        assert [each for each in case.defaults if each.startswith("converter")] == [NONE_STATED]
    assert dataclasses.replace(stated, path=None) == dataclasses.replace(absent, path=None)


def test_no_table_and_no_bits_give_the_same_results() -> None:
    """Yields and errors are equal to the last digit."""
    small = "[study]\nunits = 400\nseed = 3\ndraw = 'all units'\n"
    found = [
        margin.estimate(read_case(case_text(small, **tables)), budget=False)
        for tables in ({}, {"converter": "bits = 0"})
    ]
    assert found[0].yields.equals(found[1].yields)
    assert found[0].errors.equals(found[1].errors)


def test_what_is_stated_beside_no_bits_is_kept() -> None:
    """Of an ideal converter with noise the rest of the defaults is listed as of any other."""
    case = read_case(case_text(converter='bits = 0\nnoise = "0.01 %"'))
    assert case.elements["converter"].quantities["noise"].nominal == 1e-4
    lines = [each for each in case.defaults if each.startswith("converter")]
    assert lines[0] == NONE_STATED
    assert "converter.averaging = 1: assumed" in lines


@pytest.mark.parametrize(("line", "amplitude"), [("end point", "1"), ("best fit", "1.446")])
def test_line_of_a_nonlinearity_is_said(line: str, amplitude: str) -> None:
    """The report says from which line the counts are, and with which amplitude they are met: 2 / sqrt(1 + (3/pi)^2)."""
    text = f'bits = 12\nintegral_nonlinearity = 2\nnonlinearity_line = "{line}"'
    case = read_case(case_text(converter=text))
    assert (
        f"converter.integral_nonlinearity: 2 counts from the {line} line, the largest of any unit, read as a sine of "
        f"amplitude {amplitude} counts"
    ) in case.readings


def test_unknown_line_is_refused() -> None:
    """The message lists the lines there are."""
    with pytest.raises(
        CaseError, match=r'nonlinearity_line = "least": is not one of the choices; write "ideal"'
    ):
        read_case(case_text(converter='bits = 12\nnonlinearity_line = "least"'))
