"""Rows of a bench file in chunks, in memory that does not grow with the file."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from io import StringIO
from itertools import islice

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from margin.bench.data.columns import LABELS
from margin.bench.data.layout import Layout
from margin.bench.data.lines import is_no_row, row_fault
from margin.bench.data.spreadsheet import sheet_chunks
from margin.bench.errors import Fault

TEXT = (*LABELS, "run", "branch")

KEPT_FAULTS = 100
KEPT_COMMENTS = 20


@dataclass
class BadRows:
    """Rows that cannot be read: how many, and the first of them with what is wrong."""

    count: int = 0
    faults: list[Fault] = field(default_factory=list)

    def add(self, faults: list[Fault], rows: int) -> None:
        self.count += rows
        self.faults += faults[: max(KEPT_FAULTS - len(self.faults), 0)]


def tolerant_chunks(
    layout: Layout, rows: int, bad: BadRows, columns: tuple[str, ...] | None = None, as_text: bool = False
) -> Iterator[tuple[pd.DataFrame, NDArray[np.int64]]]:
    """Raw columns and line numbers below the header, at most `rows` lines of the file at a time.

    bad      takes the lines whose number of fields differs from the header's
    columns  to be read; None: all
    as_text  all cells as text; else numbers where a column holds nothing else
    """
    if layout.sheet is not None:
        yield from sheet_chunks(layout, rows)
        return
    name, width = str(layout.path), len(layout.header)
    with layout.path.open(encoding=layout.encoding, newline="") as file:
        numbered = enumerate(file, start=1)
        for _ in islice(numbered, layout.first_line - 1):
            pass
        while block := list(islice(numbered, rows)):
            lines, text, faults = [], [], []
            for number, line in block:
                bare = line.strip("\r\n")
                if is_no_row(bare, layout.delimiter):
                    continue
                wrong = row_fault(bare, layout.delimiter, width, layout.decimal)
                if wrong is not None:
                    faults.append(Fault(name, number, None, bare.strip()[:60], *wrong))
                    continue
                lines.append(number)
                text.append(line)
            bad.add(faults, len(faults))
            if lines:
                yield _parsed(layout, text, columns, as_text), np.array(lines, dtype=np.int64)


def _parsed(layout: Layout, text: list[str], columns: tuple[str, ...] | None, as_text: bool) -> pd.DataFrame:
    return pd.read_csv(
        StringIO("".join(text)),
        sep=layout.delimiter,
        names=list(layout.header),
        header=None,
        usecols=None if columns is None else list(columns),
        dtype="str" if as_text else {column: "str" for column in layout.header if column in TEXT},
        keep_default_na=not as_text,
        skipinitialspace=True,
    )
