"""Which column of a laboratory's table is what, and its rows brought into the columns of the bench."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from margin.bench.data.cells import numbers
from margin.bench.data.column_units import UNITS, is_mass, tidy
from margin.bench.data.notice import Notice
from margin.bench.data.vocabulary import branch_of
from margin.bench.errors import Fault

Integers = NDArray[np.int64]

CANONICAL: dict[str, str] = {
    "lot": "lot",
    "sensor": "sensor",
    "mounting": "mounting",
    "circuit": "circuit",
    "interface": "interface",
    "run": "run",
    "branch": "branch",
    "time": "time_s",
    "load": "load_N",
    "temperature": "temperature_degC",
    "voltage": "voltage_V",
    "code": "code",
    "resistance": "resistance_ohm",
    "conductance": "conductance_S",
    "ratio": "ratio_mV_per_V",
    "output": "output",
}
"""Field of a mapping -> column of the bench."""

RUN_IS_LOADING = "read as loading: the part was not remounted between runs"

MEND_NUMBER = "Write a number, or leave the cell empty to have the reading flagged."


@dataclass(frozen=True)
class Taken:
    """Where a field is taken from.

    column  name in the file, or None for a value that holds throughout
    unit    of its numbers, as written; '' where there is none
    value   text of the value that holds throughout
    """

    column: str | None
    unit: str = ""
    value: str = ""


@dataclass(frozen=True)
class Wide:
    """Readings side by side: one column a value of `over`.

    columns  names in the file
    values   value of `over` in each: '5 N', 'P1', 'up'
    units    of the readings, one a column
    """

    over: str
    columns: tuple[str, ...]
    values: tuple[str, ...]
    units: tuple[str, ...]


@dataclass(frozen=True)
class ColumnMapping:
    """Columns of a file by field, with the readings in one column or side by side.

    taken    field -> where it is taken from (not `over` and the output of a wide table)
    output   field of the readings: 'voltage', 'resistance', ...
    output_unit  of a field 'output', whose numbers are not converted
    ignored  columns that are not read on purpose
    notes    what was taken for what
    """

    taken: Mapping[str, Taken]
    output: str
    wide: Wide | None = None
    decimal: str = "."
    output_unit: str | None = None
    ignored: tuple[str, ...] = ()
    notes: tuple[str, ...] = field(default_factory=tuple)

    @property
    def header(self) -> tuple[str, ...]:
        """Columns of the bench that the mapped rows have."""
        fields = [*self.taken, *([self.wide.over] if self.wide else [])]
        if self.output not in fields:
            fields.append(self.output)
        return tuple(CANONICAL[name] for name in fields)

    @property
    def used(self) -> frozenset[str]:
        """Columns of the file that are read or left out on purpose."""
        named = {taken.column for taken in self.taken.values() if taken.column is not None}
        return frozenset({*named, *self.ignored, *(self.wide.columns if self.wide else ())})

    @property
    def across(self) -> int:
        """Readings of a row."""
        return len(self.wide.columns) if self.wide else 1

    def place_of(self, reading: int) -> tuple[int, str | None]:
        """Line of a reading in the file, and its column where readings stand side by side."""
        if self.wide is None:
            return reading, None
        return (reading - 1) // self.across + 1, self.wide.columns[(reading - 1) % self.across]

    def apply(
        self, raw: pd.DataFrame, lines: Integers, file: str
    ) -> tuple[pd.DataFrame, Integers, list[Fault]]:
        """Rows of text as columns of the bench, their reading numbers, and cells that are no number.

        raw    (n rows), all columns of the file as text
        lines  (n,), line of each row; of a wide table reading number (line - 1) across + column, from 1
        """
        faults: list[Fault] = []
        across = self.across
        count = len(raw)
        columns: dict[str, object] = {}
        for name, taken in self.taken.items():
            cells = (
                raw[taken.column] if taken.column is not None else pd.Series([taken.value] * count, dtype=str)
            )
            found = self._cells(name, cells, taken.unit, taken.column or CANONICAL[name], lines, file, faults)
            columns[CANONICAL[name]] = np.repeat(found, across)
        if self.wide is None:
            return pd.DataFrame(columns), lines, faults
        readings = np.column_stack(
            [
                self._cells(self.output, raw[column], unit, column, lines, file, faults)
                for column, unit in zip(self.wide.columns, self.wide.units, strict=True)
            ]
        )
        over = self._over(count)
        table = pd.DataFrame(
            {**columns, CANONICAL[self.wide.over]: over, CANONICAL[self.output]: readings.ravel()}
        )
        numbered = np.repeat((lines - 1) * across, across) + np.tile(np.arange(1, across + 1), count)
        # cells left empty in a wide table were not measured: no reading to be flagged
        empty = np.column_stack(
            [raw[column].fillna("").str.strip() == "" for column in self.wide.columns]
        ).ravel()
        return table[~empty].reset_index(drop=True), numbered[~empty], faults

    def in_file(self, fault: Fault) -> Fault:
        """A fault of the mapped rows with its place in the file."""
        column = fault.column
        for name, taken in self.taken.items():
            if column == CANONICAL[name] and taken.column is not None:
                column = taken.column
        if fault.line is None:
            return Fault(fault.file, None, column, fault.value, fault.why, fault.mend)
        line, across = self.place_of(fault.line)
        if self.wide is not None and column == CANONICAL[self.output]:
            column = across
        return Fault(fault.file, line, column, fault.value, fault.why, fault.mend)

    def _over(self, count: int) -> NDArray[np.object_] | NDArray[np.float64]:
        assert self.wide is not None
        values = pd.Series(list(self.wide.values), dtype=str)
        if self.wide.over == "load":
            return np.tile(numbers(values, ".", "load", "N").values, count)
        named = values.map(lambda text: branch_of(text) or text) if self.wide.over == "branch" else values
        return np.tile(named.to_numpy(dtype=object), count)

    def _cells(
        self,
        name: str,
        cells: pd.Series[str],
        unit: str,
        column: str,
        lines: Integers,
        file: str,
        faults: list[Fault],
    ) -> NDArray[np.object_] | NDArray[np.float64]:
        if name == "branch":
            return _branches(cells)
        if name not in UNITS and name != "output":
            text = cells.fillna("").astype(str).str.strip()
            return text.where(text != "", None).to_numpy(dtype=object)
        decimal = self.decimal if column in self.used else "."
        found = numbers(cells, decimal, name if name in UNITS else "", unit)
        for place, value, why in found.bad:
            faults.append(Fault(file, int(lines[place]), column, value[:60], why, MEND_NUMBER))
        return found.values


def _branches(cells: pd.Series[str]) -> NDArray[np.object_]:
    """'up', 'down', None where empty; other words as they are, to be refused with their place."""
    text = cells.fillna("").astype(str).str.strip()
    known = {word: branch_of(word) or word for word in text.unique()}
    return text.map(known).where(text != "", None).to_numpy(dtype=object)


def said_of(mapping: ColumnMapping) -> list[str]:
    """What was taken for what, one entry a thing to know."""
    parts = []
    for name, taken in mapping.taken.items():
        if taken.column is None:
            parts.append(f"{name} = {taken.value} throughout")
        elif name == "run":
            parts.append(f"run from '{taken.column}'")
        else:
            unit = f" in {taken.unit}" if taken.unit else ""
            parts.append(f"{name} from '{taken.column}'{unit}")
    wide = mapping.wide
    if wide is not None:
        units = ", ".join(dict.fromkeys(wide.units)) or "no unit"
        ends = f"'{wide.columns[0]}' to '{wide.columns[-1]}'"
        parts.append(
            f"{mapping.output} in {units} from {len(wide.columns)} columns {ends}, one a {wide.over}"
        )
    notes: list[str] = [Notice(f"columns: {'; '.join(parts)}")]
    masses = [taken.unit for taken in mapping.taken.values() if taken.unit and is_mass(taken.unit)]
    masses += [value.split()[-1] for value in (wide.values if wide and wide.over == "load" else ()) if " " in value
               and is_mass(value.split()[-1])]  # fmt: skip
    if masses:
        weight = f"load in {tidy(masses[0])} read as weight under standard gravity, 9.80665 m/s2"
        notes.append(Notice(weight))
    return notes
