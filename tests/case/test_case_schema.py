"""The JSON Schema that editors complete from, and random damage to case files."""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib

import jsonschema
import pytest
from case_texts import case_text
from hypothesis import example, given, settings
from hypothesis import strategies as st
from test_case_load import FULL

from margin.case.faults import CaseError
from margin.case.load import read_case
from margin.case.schema import SHIPPED
from margin.case.types import Case


def test_shipped_schema_is_up_to_date() -> None:
    """The file beside the code is what the declarations give (in a fresh process: built-in elements only)."""
    command = "from margin.case.schema import schema_json; import sys; sys.stdout.write(schema_json())"
    made = subprocess.run([sys.executable, "-c", command], capture_output=True, check=True, encoding="utf-8")
    assert made.stdout == SHIPPED.read_text(encoding="utf-8")


def _validator() -> jsonschema.Draft202012Validator:
    schema = json.loads(SHIPPED.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


@pytest.mark.parametrize("text", [FULL, case_text()])
def test_schema_accepts_good_cases(text: str) -> None:
    """A good case is valid under the schema too."""
    assert list(_validator().iter_errors(tomllib.loads(text))) == []


@pytest.mark.parametrize(
    "damage",
    [
        {"sensr": {}},
        {"study": {"unitz": 5}},
        {"study": {"units": 5}},
        {"circuit": {"kind": "inverting amplifier", "reference": "1 V", "feedbck": "47 kohm"}},
        {"circuit": {"reference": "1.2 V", "feedback": "47 kohm"}},
        {"sensor": {"kind": "magnetic"}},
        {"load": {}},
        {"circuit": {"kind": "inverting amplifier", "reference": "1 V", "feedback": 47000}},
    ],
)
def test_schema_refuses_what_the_reader_refuses(damage: dict[str, object]) -> None:
    """Unknown keys and kinds, missing keys and numbers without unit are refused by both."""
    raw = {**tomllib.loads(case_text()), **damage}
    assert not _validator().is_valid(raw)
    with pytest.raises(CaseError):
        read_case(raw)


def test_schema_describes_every_key() -> None:
    """Editors show a description, and for quantities an example, at each key."""
    for name, definition in json.loads(SHIPPED.read_text(encoding="utf-8"))["$defs"].items():
        if name == "QuantityTable":
            continue
        for key, declared in definition["properties"].items():
            assert declared.get("description") or "$ref" in declared, f"{name}.{key}"


def _case_or_error(source: str | dict[str, object]) -> None:
    try:
        assert isinstance(read_case(source), Case)
    except CaseError as error:
        assert error.faults
        assert all(fault.reason for fault in error.faults)


@given(st.text(max_size=200))
@settings(max_examples=100, deadline=None)
def test_random_text_gives_a_case_or_its_faults(text: str) -> None:
    """No text whatever brings another error than CaseError."""
    _case_or_error(text)


@given(st.integers(0, len(FULL) - 1), st.integers(0, 12), st.text(max_size=6))
@settings(max_examples=150, deadline=None)
@example(0, 0, "a = " + "[" * 3000)
@example(0, 0, "a = 1" + "0" * 5000 + "\n")
def test_damaged_file_gives_a_case_or_its_faults(start: int, length: int, replacement: str) -> None:
    """A good file with a piece replaced is read or refused in words."""
    _case_or_error(FULL[:start] + replacement + FULL[start + length :])


_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12) | st.dates(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)
_PLACES = [
    (table, key) for table, body in tomllib.loads(FULL).items() if isinstance(body, dict) for key in body
]


@given(st.sampled_from(_PLACES), _VALUES)
@settings(max_examples=200, deadline=None)
def test_any_value_at_any_key_gives_a_case_or_its_faults(place: tuple[str, str], value: object) -> None:
    """Wrong types are faults wherever they stand."""
    raw = tomllib.loads(FULL)
    raw[place[0]][place[1]] = value
    _case_or_error(raw)


@given(st.sampled_from(sorted(tomllib.loads(FULL))), _VALUES)
@settings(max_examples=100, deadline=None)
def test_any_value_for_a_table_gives_a_case_or_its_faults(table: str, value: object) -> None:
    """A table of the wrong type is a fault."""
    _case_or_error({**tomllib.loads(FULL), table: value})
