"""Tables in spreadsheet files (.xlsx), row by row."""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from margin.bench.data.cells import MISSING
from margin.bench.data.layout import (
    MOST_COLUMNS,
    SAMPLE_LINES,
    Layout,
    Stated,
    is_number,
    is_units_line,
    told_apart,
)
from margin.bench.errors import BenchDataError, Fault

SUFFIXES = (".xlsx", ".xlsm")
_ZIP, _OLD = b"PK\x03\x04", b"\xd0\xcf\x11\xe0"
MOST_ROWS = 1_048_576
LONGEST_GAP = 10_000
"""Empty rows after which a sheet is over."""


def is_spreadsheet(path: Path) -> bool:
    """Whether a file is a spreadsheet, by its first bytes; BenchDataError for one in a format that is not read."""
    try:
        with path.open("rb") as file:
            head = file.read(4)
    except (OSError, ValueError):
        return False
    if head == _OLD:
        why = "a spreadsheet in the old binary format"
        raise BenchDataError([Fault(str(path), None, None, None, why, "Save it as .xlsx or as CSV.")])
    if path.suffix.lower() in SUFFIXES and head != _ZIP:
        why = "not a spreadsheet, or cut short: .xlsx is a zip archive, this file is none"
        raise BenchDataError([Fault(str(path), None, None, None, why, "Save the file again.")])
    return head == _ZIP


def sheet_layouts(path: Path, stated: Stated) -> list[Layout]:
    """Layouts of the sheets that hold a table (the stated one alone); BenchDataError where there is none."""
    with _workbook(path) as book:
        names = [sheet.title for sheet in book.worksheets]
        if stated.sheet is not None and stated.sheet not in names:
            why = f"there is no such sheet; there are {', '.join(map(repr, names)) or 'none'}"
            raise BenchDataError([Fault(str(path), None, None, stated.sheet, why, "Name one of them.")])
        found = [
            layout
            for sheet in book.worksheets
            if stated.sheet in (None, sheet.title) and (layout := _layout(path, sheet)) is not None
        ]
    if not found:
        why = f"no header with readings below it in sheet(s) {', '.join(map(repr, names))}"
        raise BenchDataError(
            [Fault(str(path), None, None, stated.sheet, why, "Name another sheet or export again.")]
        )
    return found


def sheet_chunks(layout: Layout, rows: int) -> Iterator[tuple[pd.DataFrame, NDArray[np.int64]]]:
    """Cells as text below the header, at most `rows` rows at a time, with their row numbers (from 1)."""
    width = len(layout.header)
    with _workbook(layout.path) as book:
        numbered = _rows(book[layout.sheet])
        kept = ((number, cells) for number, cells in numbered if number >= layout.first_line and any(cells))
        while block := list(islice(kept, rows)):
            table = [(cells + [""] * width)[:width] for _, cells in block]
            yield pd.DataFrame(table, columns=list(layout.header), dtype=str), np.array([n for n, _ in block])


@contextmanager
def _workbook(path: Path) -> Iterator[Any]:
    """The workbook, read only, values of formulas; a damaged one is refused in one message."""
    import openpyxl

    try:
        with path.open("rb") as file:
            book = openpyxl.load_workbook(file, read_only=True, data_only=True)
            try:
                yield book
            finally:
                book.close()
    except BenchDataError:
        raise
    except MemoryError:
        raise
    except (
        Exception
    ) as error:  # the archive and its XML may be damaged anywhere, and each part has its own errors
        reason = str(error).strip().splitlines()[0][:120] if str(error).strip() else type(error).__name__
        why = f"the spreadsheet cannot be read: it is damaged or cut short ({reason})"
        raise BenchDataError(
            [Fault(str(path), None, None, None, why, "Save it again, or export it as CSV.")]
        ) from None


def _layout(path: Path, sheet: Any) -> Layout | None:
    head = list(islice(((n, cells) for n, cells in _rows(sheet) if any(cells)), SAMPLE_LINES))
    comments = [" ".join(filter(None, cells)) for _, cells in head if _narrow(cells)]
    for place, (number, cells) in enumerate(head):
        if _narrow(cells) or all(is_number(cell) for cell in cells if cell):
            continue
        width = max(index for index, cell in enumerate(cells) if cell) + 1
        if width > MOST_COLUMNS:
            return None
        names = tuple(cells[:width])
        body = [(row, (values + [""] * width)[:width]) for row, values in head[place + 1 :]]
        if not body:
            return None
        units, first = tuple[str, ...](), number + 1
        if is_units_line(body[0][1]):
            units = tuple(cell.strip("[]() ") for cell in body[0][1])
            first, body = body[0][0] + 1, body[1:]
        repeated = tuple(sorted({name for name in names if name and names.count(name) > 1}))
        sample = tuple(tuple(values) for _, values in body)
        layout = Layout(
            path, "", "", ".", told_apart(names), units, first, tuple(comments[:place]), sample, repeated
        )
        return replace(layout, sheet=sheet.title) if body else None
    return None


def _narrow(cells: list[str]) -> bool:
    """Whether a row is a title or a comment, no header."""
    filled = [cell for cell in cells if cell]
    return len(filled) < 2 or filled[0].startswith("#")


def _rows(sheet: Any) -> Iterator[tuple[int, list[str]]]:
    if not hasattr(sheet, "reset_dimensions"):
        return
    sheet.reset_dimensions()
    empty = 0
    for number, cells in enumerate(sheet.iter_rows(values_only=True), start=1):
        text = [_text(cell) for cell in cells[: MOST_COLUMNS + 1]]
        empty = 0 if any(text) else empty + 1
        if empty > LONGEST_GAP or number > MOST_ROWS:
            return
        yield number, text


def _text(value: Any) -> str:
    """A cell as text; a whole number loses its '.0', a number typed as text its decimal comma."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value)
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, datetime.datetime | datetime.date | datetime.time):
        return value.isoformat()
    text = str(value).replace("\0", "").strip()
    if "," in text and "." not in text and text.lower() not in MISSING and is_number(text):
        return text.replace(",", ".")
    return text
