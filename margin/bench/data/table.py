"""A table of readings in a file or a frame, with its mapping onto the columns of the bench."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from margin.bench.data.cells import decimal_sign
from margin.bench.data.columns import KNOWN, OUTPUT_COLUMNS
from margin.bench.data.layout import SAMPLE_LINES, Layout, Stated, layout_of, told_apart
from margin.bench.data.lines import Lines, scan
from margin.bench.data.mapping import ColumnMapping
from margin.bench.data.notice import Notice
from margin.bench.data.resolve import propose, resolve
from margin.bench.data.spreadsheet import is_spreadsheet, sheet_chunks, sheet_layouts
from margin.bench.data.stream import TEXT
from margin.bench.data.vocabulary import is_ambiguous
from margin.bench.data.wanted import Resolved, Wanted
from margin.bench.errors import BenchDataError, Fault

Chunks = Iterator[tuple[pd.DataFrame, NDArray[np.int64]]]


@dataclass(frozen=True)
class Table:
    """A table whose columns are known.

    layout   of the file
    mapping  onto the columns of the bench; None where they are those of the bench already, cells with decimal points
    """

    layout: Layout
    mapping: ColumnMapping | None

    @property
    def name(self) -> str:
        """The file as it is named in messages."""
        return str(self.layout.path)

    @property
    def header(self) -> tuple[str, ...]:
        """Columns of the bench that the rows have."""
        return self.layout.header if self.mapping is None else self.mapping.header

    @property
    def notes(self) -> tuple[str, ...]:
        """What was found out about the file and its columns."""
        return (*self.layout.notes, *(() if self.mapping is None else self.mapping.notes))

    def chunks(self, rows: int) -> tuple[Chunks, tuple[str, ...]]:
        """Raw columns and line numbers, and the comments; BenchDataError for a row of another width."""
        if self.layout.sheet is not None:
            return sheet_chunks(self.layout, rows), self.layout.comments
        lines = scan(self.layout)
        return _text_chunks(self.layout, lines, rows, self.mapping is not None), lines.comments


def open_table(path: Path, stated: Stated, wanted: Wanted) -> Table:
    """A file with its mapping; BenchDataError with what is wrong or has to be stated."""
    layout = _chosen(path, stated, wanted)
    if is_canonical(layout.header) and not wanted.any and layout.sheet is None and layout.decimal == ".":
        return Table(layout, None)
    return Table(layout, _resolved(layout, wanted))


def propose_table(path: Path, stated: Stated, wanted: Wanted) -> tuple[Layout, Resolved]:
    """Layout of a file, and what its columns are taken for with the questions that are open."""
    layout = _chosen(path, stated, wanted)
    return layout, _proposed(layout, wanted)


def mapped_frame(frame: pd.DataFrame, wanted: Wanted) -> tuple[pd.DataFrame, ColumnMapping]:
    """A frame as text with the mapping of its columns; rows are numbered from 1 in messages of a wide one."""
    text = pd.DataFrame(
        {place: frame.iloc[:, place].astype("string").fillna("") for place in range(frame.shape[1])}
    )
    names = tuple(str(column) for column in frame.columns)
    text.columns = pd.Index(told_apart(names))
    sample = [tuple(map(str, row)) for row in text.head(SAMPLE_LINES).itertuples(index=False)]
    decimal = decimal_sign([cell for row in sample for cell in row])
    repeated = tuple(sorted({name for name in names if names.count(name) > 1}))
    return text.astype(str), resolve("frame", list(text.columns), (), sample, decimal, wanted, repeated)


def is_canonical(header: tuple[str, ...]) -> bool:
    """Whether a header is one of the bench's own: the load in newton and an output, or known columns alone.

    One with a column that may decide a level, such as 'set', is not.
    """
    if any(is_ambiguous(column) for column in header if column not in KNOWN):
        return False
    own = "load_N" in header and any(column in header for column in OUTPUT_COLUMNS)
    return own or all(column in KNOWN for column in header)


def _chosen(path: Path, stated: Stated, wanted: Wanted) -> Layout:
    """Layout of a text file, or of the sheet that holds the readings."""
    if not is_spreadsheet(path):
        if stated.sheet is not None:
            why = "a sheet is stated for a file that is no spreadsheet"
            raise BenchDataError([Fault(str(path), None, None, stated.sheet, why, "Leave the sheet out.")])
        return layout_of(path, stated)
    found = sheet_layouts(path, stated)
    if len(found) == 1:
        return found[0]
    readable = [layout for layout in found if not _proposed(layout, wanted).questions]
    if len(readable) != 1:
        names = ", ".join(repr(layout.sheet) for layout in (readable or found))
        why = f"several sheets may hold the readings: {names}"
        raise BenchDataError([Fault(str(path), None, None, None, why, "State one: --sheet NAME.")])
    others = ", ".join(repr(layout.sheet) for layout in found if layout is not readable[0])
    note = Notice(f"read from sheet '{readable[0].sheet}'; {others} not read")
    return replace(readable[0], notes=(*readable[0].notes, note))


def _resolved(layout: Layout, wanted: Wanted) -> ColumnMapping:
    return resolve(
        str(layout.path), layout.header, layout.units, layout.sample, layout.decimal, wanted, layout.repeated
    )


def _proposed(layout: Layout, wanted: Wanted) -> Resolved:
    return propose(
        str(layout.path), layout.header, layout.units, layout.sample, layout.decimal, wanted, layout.repeated
    )


def _text_chunks(layout: Layout, lines: Lines, rows: int, as_text: bool) -> Chunks:
    with layout.path.open(encoding=layout.encoding, newline="") as file:
        reader = pd.read_csv(
            file,
            sep=layout.delimiter,
            names=list(layout.header),
            header=None,
            skiprows=list(lines.skip),
            chunksize=rows,
            dtype="str" if as_text else {column: "str" for column in layout.header if column in TEXT},
            keep_default_na=not as_text,
            skipinitialspace=True,
            low_memory=False,
        )
        first = 0
        with reader:
            for chunk in reader:
                yield chunk, np.array(lines.numbers[first : first + len(chunk)], dtype=np.int64)
                first += len(chunk)
