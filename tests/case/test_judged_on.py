"""By how many loadings and readings a unit is judged: stated in [requirement], or listed as assumed."""

from __future__ import annotations

import pytest
from case_texts import case_text, line
from hypothesis import given
from hypothesis import strategies as st

from margin.case import Case, CaseError, read_case, with_changes
from margin.propagation.readings import readings_of_a_unit

NAMED = '[[use.condition]]\nname = "cold"\n[[use.condition]]\nname = "hot"'


def counts(case: Case) -> tuple[int, int, int]:
    """Conditions, loadings and readings that the study draws."""
    return case.study.conditions, case.study.loadings, case.study.readings


def assumed(case: Case) -> list[str]:
    """Keys whose counts are listed as assumed."""
    lines = (each.removeprefix("requirement.") for each in case.defaults if "judged by" in each)
    return [each.split(" =")[0] for each in lines]


def test_the_requirement_states_them() -> None:
    """Counts of [requirement] are those of the study, and nothing is assumed."""
    case = read_case(case_text(requirement=line("requirement", "conditions = 3\nloadings = 4\nreadings = 5")))
    assert counts(case) == (3, 4, 5)
    assert assumed(case) == []


def test_the_keys_of_the_use_remain() -> None:
    """Counts of [use] hold where [requirement] is silent, key by key; both may say the same."""
    requirement = line("requirement", "loadings = 4\nreadings = 5")
    case = read_case(case_text(requirement=requirement, use="conditions = 3\nreadings = 5"))
    assert counts(case) == (3, 4, 5)
    assert assumed(case) == []


def test_what_is_not_stated_is_listed() -> None:
    """Two conditions, two loadings and one reading are assumed, each in a line of its own."""
    case = read_case(case_text(use="loadings = 3"))
    assert counts(case) == (2, 3, 1)
    assert assumed(case) == ["conditions", "readings"]
    assert "requirement.conditions = 2: assumed, a unit is judged by them" in case.defaults


def test_statements_that_differ_are_refused() -> None:
    """One message a key: both values, and which to keep."""
    requirement = line("requirement", "loadings = 4\nreadings = 5")
    with pytest.raises(CaseError) as caught:
        read_case(case_text(requirement=requirement, use="loadings = 2\nreadings = 1"))
    assert [str(fault) for fault in caught.value.faults] == [
        "case: [requirement] loadings = 4: is 2 in [use]: a unit is judged by one number of them; "
        "keep loadings in [requirement] alone",
        "case: [requirement] readings = 5: is 1 in [use]: a unit is judged by one number of them; "
        "keep readings in [requirement] alone",
    ]


@pytest.mark.parametrize("table", ["requirement", "use"])
@pytest.mark.parametrize(
    ("value", "message"),
    [
        ("0", "must be at least 1"),
        ("-2", "must be at least 1"),
        ("10001", "must be at most 10000"),
        ("1.5", "must be a whole number"),
        ('"2"', "must be a whole number; write it without quotes"),
        ("true", "must be a whole number"),
        ("nan", "must be a whole number"),
        ("[1]", "must be a whole number"),
    ],
)
def test_counts_are_whole_numbers_of_one_or_more(table: str, value: str, message: str) -> None:
    """Zero, negative numbers, fractions, texts and lists are refused with key and value."""
    body = f"loadings = {value}"
    text = case_text(**{table: line("requirement", body) if table == "requirement" else body})
    with pytest.raises(CaseError) as caught:
        read_case(text)
    (fault,) = caught.value.faults
    assert (fault.table, fault.key) == (table, "loadings")
    assert message in str(fault)


@pytest.mark.parametrize(
    ("more", "stated", "phrase"),
    [
        (
            NAMED,
            "conditions = 2\nloadings = 2\nreadings = 1",
            "2 loadings x 1 reading at 6 loads in 2 draws of each of 2 conditions (48 readings)",
        ),
        (
            "",
            "conditions = 2\nloadings = 2\nreadings = 1",
            "2 loadings x 1 reading at 6 loads in 2 draws of the conditions of use (24 readings)",
        ),
        (
            '[[use.condition]]\nname = "cold"',
            "conditions = 1\nloadings = 1\nreadings = 10",
            "1 loading x 10 readings at 6 loads in 1 draw of the condition of use (60 readings)",
        ),
    ],
)
def test_one_phrase_says_what_a_unit_is_judged_on(more: str, stated: str, phrase: str) -> None:
    """Nouns follow their numbers, and the count of all readings stands behind."""
    case = read_case(case_text(more, load=line("load", "check = 6"), requirement=line("requirement", stated)))
    assert case.judged_on == phrase


@given(st.integers(1, 30), st.integers(1, 30), st.integers(1, 30), st.booleans())
def test_the_phrase_counts_the_readings_of_a_unit(
    conditions: int, loadings: int, readings: int, named: bool
) -> None:
    """Its count is the number of readings that the study draws of each unit."""
    case = with_changes(
        read_case(case_text(NAMED if named else "")),
        {
            "requirement.conditions": conditions,
            "requirement.loadings": loadings,
            "requirement.readings": readings,
        },
    )
    total = readings_of_a_unit(case)
    assert case.judged_on.endswith(f"({total} reading{'' if total == 1 else 's'})")
