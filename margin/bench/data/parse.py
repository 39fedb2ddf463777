"""From raw columns to the columns the bench works with; faults are gathered, not raised one by one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from margin.bench.data.columns import (
    KNOWN,
    LABEL_DEFAULTS,
    LABELS,
    NUMBERS,
    OUTPUT_COLUMNS,
    OUTPUTS,
    POSSIBLE,
    POSSIBLE_OUTPUT,
    SMALLEST_RESISTANCE,
    TEMPERATURE_DEFAULT,
    Output,
)
from margin.bench.errors import Fault

MEND_NUMBER = "Write a plain number, or leave the field empty to have the reading flagged."


def check_header(header: Sequence[str], file: str) -> tuple[Output | None, list[Fault]]:
    """Which output column `header` states, and what is wrong with the header."""
    faults: list[Fault] = []
    if "load_N" not in header:
        faults.append(
            Fault(file, None, "load_N", None, "the column is missing", "Add the applied load in newton.")
        )
    given = [output for output in OUTPUTS if output.column in header]
    if len(given) != 1:
        got = ", ".join(o.column for o in given) or "none"
        why = f"exactly one output column is needed, there are {len(given)}"
        mend = f"Keep one of {', '.join(OUTPUT_COLUMNS)}."
        faults.append(Fault(file, None, None, got, why, mend))
        return None, faults
    return given[0], faults


def unknown_columns(header: Sequence[str]) -> list[str]:
    """Columns that are not read."""
    return [column for column in header if column not in KNOWN]


def missing_notes(header: Sequence[str]) -> list[str]:
    """What is assumed for each optional column that the header lacks."""
    notes = [
        f"no column '{label}': taken as '{LABEL_DEFAULTS[label]}' throughout"
        for label in LABELS
        if label not in header
    ]
    if "run" not in header:
        notes.append("no column 'run': runs counted from the order of the loads")
    if "branch" not in header:
        notes.append("no column 'branch': found from the order of the loads")
    if "time_s" not in header:
        notes.append(
            "no column 'time_s': no drift; repeated rows cannot be distinguished from repeated readings"
        )
    if "temperature_degC" not in header:
        notes.append(f"no column 'temperature_degC': taken as {TEMPERATURE_DEFAULT:g} degC throughout")
    return notes


def parse(
    raw: pd.DataFrame, lines: NDArray[np.int64], output: Output, file: str
) -> tuple[pd.DataFrame, list[Fault]]:
    """The frame of `BenchData` from a chunk of raw columns, with its faults.

    raw    columns as read: numbers or text
    lines  (n,), line of each row in the file
    """
    faults: list[Fault] = []
    columns: dict[str, object] = {"line": lines}
    for label in LABELS:
        columns[label] = _labels(raw, label, LABEL_DEFAULTS[label], lines, file, faults)
    columns["run"] = _labels(raw, "run", "", lines, file, faults)
    columns["branch"] = _branch(raw, lines, file, faults)
    for column in NUMBERS:
        default = TEMPERATURE_DEFAULT if column == "temperature_degC" else np.nan
        columns[column] = _numbers(raw, column, default, lines, file, faults)
    values = _numbers(raw, output.column, np.nan, lines, file, faults)
    if output.column == "resistance_ohm":
        for place in np.flatnonzero(values < SMALLEST_RESISTANCE):
            why = f"a resistance must be above zero, {SMALLEST_RESISTANCE:g} ohm at least"
            mend = "Check the reading; an open circuit is 'inf'."
            faults.append(Fault(file, int(lines[place]), output.column, f"{values[place]:g}", why, mend))
        values = 1.0 / np.where(values < SMALLEST_RESISTANCE, np.nan, values)
    columns["output"] = values
    return pd.DataFrame(columns), faults


def categories(codes: NDArray[np.integer[Any]], names: list[str]) -> pd.Categorical[str]:
    """Category column from codes (shape (n,), -1 for none) and names."""
    return pd.Categorical.from_codes(codes, pd.Index(names))


def _labels(
    raw: pd.DataFrame, column: str, default: str, lines: NDArray[np.int64], file: str, faults: list[Fault]
) -> pd.Categorical[str]:
    if column not in raw:
        return categories(np.zeros(len(raw), dtype=np.int64), [default])
    codes, found = pd.factorize(raw[column])
    for place in np.flatnonzero(codes < 0):
        mend = "Name it in each row, or leave the whole column out."
        faults.append(Fault(file, int(lines[place]), column, None, "the label is empty", mend))
    names = [_text(value) for value in found]
    distinct = list(dict.fromkeys(names))
    mapped = np.array([distinct.index(name) for name in names] + [-1], dtype=np.int32)
    return categories(mapped[codes], distinct)


def _text(value: object) -> str:
    """A label as text: a whole number read as a float loses its '.0'."""
    if isinstance(value, float | np.floating) and float(value).is_integer():
        return str(int(value))
    return str(value).strip()


def _branch(
    raw: pd.DataFrame, lines: NDArray[np.int64], file: str, faults: list[Fault]
) -> pd.Categorical[str]:
    if "branch" not in raw:
        return categories(np.full(len(raw), -1), ["up", "down"])
    text = raw["branch"].astype("string").str.strip().str.lower()
    bad = (text.notna() & ~text.isin(["up", "down"])).to_numpy(dtype=bool)
    for place in np.flatnonzero(bad):
        why = "the branch is neither 'up' nor 'down'"
        mend = "Write 'up' or 'down', or leave it empty to have it found from the order of the loads."
        faults.append(Fault(file, int(lines[place]), "branch", str(raw["branch"].iloc[place]), why, mend))
    codes = np.where(text.eq("up").fillna(False), 0, np.where(text.eq("down").fillna(False), 1, -1))
    return categories(codes, ["up", "down"])


def _numbers(
    raw: pd.DataFrame,
    column: str,
    default: float,
    lines: NDArray[np.int64],
    file: str,
    faults: list[Fault],
) -> NDArray[np.float64]:
    if column not in raw:
        return np.full(len(raw), default)
    given = raw[column]
    numbers = pd.to_numeric(given, errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
    if not pd.api.types.is_numeric_dtype(given.dtype):
        words = given.astype("string").str.strip().str.lower().fillna("")
        bad = np.isnan(numbers) & ~words.isin(["", "nan", "na", "n/a", "null"]).to_numpy(dtype=bool)
        for place in np.flatnonzero(bad):
            value = str(given.iloc[place])
            mend = "Use a decimal point, not a comma." if "," in value else MEND_NUMBER
            faults.append(Fault(file, int(lines[place]), column, value, "not a number", mend))
    low, high = POSSIBLE.get(column, POSSIBLE_OUTPUT)
    for place in np.flatnonzero(np.isfinite(numbers) & ((numbers < low) | (numbers > high))):
        why = f"outside {low:g} to {high:g}, which no bench leaves"
        mend = "Check number and unit, or leave the field empty to have the reading flagged."
        faults.append(Fault(file, int(lines[place]), column, f"{numbers[place]:g}", why, mend))
    return numbers
