"""Damaged bench files end in data or in one message of ours."""

from __future__ import annotations

import pytest
from mangled import (
    SERVICE_DAMAGE,
    SERVICE_FILES,
    SHEET_DAMAGE,
    TEXT_DAMAGE,
    lab_variants,
    outcome,
    service_outcome,
    service_variants,
    variants,
)

READ_AT_LENGTH = frozenset((
    "cut short", "columns shuffled", "column missing", "semicolons and commas", "carriage returns", "UTF-16",
    "spreadsheet whole", "bad UTF-8", "long line", "lines repeated",
))  # fmt: skip
"""Damages that leave a file that can be characterised, which takes longer: two of them are enough here."""


def test_damaged_files_are_read_or_refused(tmp_path) -> None:
    """Each kind of damage is read, or refused with a message that names the file; none ends in a traceback."""
    files = [*variants(len(TEXT_DAMAGE) + len(SHEET_DAMAGE), 3), *lab_variants(tmp_path, 10, 4)]
    kept = [
        each for each in files if each[0] not in READ_AT_LENGTH or each[0] in ("lines repeated", "UTF-16")
    ]
    assert len(kept) > 30
    for number, (name, suffix, data) in enumerate(kept):
        path = tmp_path / f"mangled{number}{suffix}"
        path.write_bytes(data)
        found = outcome(path, condense=number % 5 == 4)
        assert found.kind in ("read", "refused"), f"{name}: {found.message}"
        assert found.kind == "read" or path.name in found.message, f"{name}: {found.message}"


def test_damaged_files_of_service_are_read_or_refused(tmp_path) -> None:
    """Lives, drifts and histories with each damage are read, or refused with a message that names the file."""
    count = len(SERVICE_FILES) * len(SERVICE_DAMAGE)
    for number, (holds, name, data) in enumerate(service_variants(count, 5)):
        path = tmp_path / f"service{number}.csv"
        path.write_bytes(data)
        found = service_outcome(path, holds, printed=holds != "lives")
        assert found.kind in ("read", "refused"), f"{holds}, {name}: {found.message}"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("Kraft;U (mV)\n1;2\n", "the unit of load is not stated"),
        ("Kraft (kg);x\n1;2\n", "no column is read as the sensor's output"),
        ("Kraft (kg);U (V);R (ohm)\n1;2;3\n", "'U (V)', 'R (ohm)' may each be the sensor's output"),
        ("Kraft 1 (N);Kraft 2 (N);U (V)\n1;2;3\n", "may each be the applied load"),
        ("Kraft (N);U (V)\n1;2\n3;4 kg\n", "line 3, column 'U (V)': a number with 'kg'"),
        ("Kraft (N);U (V)\n1,5;2,5\n3.5;4,5\n", "line 3, column 'Kraft (N)': a decimal point"),
        ("Pad;1;2;3\nA;2;3;4\n", "names are bare numbers"),
        ("Pad;Last 1 N;Last 2 N\nA;1;2\n", "the unit of the readings side by side is not stated"),
        ("Kraft (N);set;U (V)\n1;a;2\n2;b;3\n3;b;3\n", '--column mounting="set"'),
        ("Kraft (N);Kraft (N);U (V)\n1;1;2\n", "may each be the applied load"),
    ],
)
def test_each_question_says_how_to_answer_it(tmp_path, text, words) -> None:
    """What the names leave open is asked for in one message with the file and what to write."""
    path = tmp_path / "bench.csv"
    path.write_text(text, encoding="utf-8")
    found = outcome(path)
    assert found.kind == "refused" and words in found.message and "bench.csv" in found.message
