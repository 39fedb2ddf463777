"""Layout of a text file of readings: encoding, separator, header, decimal sign, found from its first lines."""

from __future__ import annotations

import csv
from collections import Counter
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path

from margin.bench.data.cells import MISSING, decimal_sign, one_number
from margin.bench.data.column_units import kind_of
from margin.bench.data.encoding import encoding_of, note_on
from margin.bench.data.notice import Notice
from margin.bench.errors import BenchDataError, Fault

DELIMITERS = (",", ";", "\t")
SAMPLE_LINES = 200
LONGEST_LINE = 1 << 20
LONGEST_PREAMBLE = 60
MOST_COLUMNS = 2000


@dataclass(frozen=True)
class Stated:
    """What is said of the file itself; None: found from it."""

    sheet: str | None = None
    separator: str | None = None
    decimal: str | None = None
    encoding: str | None = None


@dataclass(frozen=True)
class Layout:
    """Layout of a table in a file.

    header      names of the columns; a repeated one is told apart as 'name (2)'
    units       of each column where a line below the header states them, else empty
    first_line  line (from 1) of the first row of data
    comments    text of comment lines and of a preamble above the header
    sample      cells of the first rows, as text
    repeated    names that stand in the header more than once
    notes       what was found out about the file
    """

    path: Path
    encoding: str
    delimiter: str
    decimal: str
    header: tuple[str, ...]
    units: tuple[str, ...]
    first_line: int
    comments: tuple[str, ...]
    sample: tuple[tuple[str, ...], ...]
    repeated: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    sheet: str | None = None


@dataclass
class _Line:
    number: int
    text: str
    fields: list[str] = field(default_factory=list)


def layout_of(path: Path, stated: Stated | None = None) -> Layout:
    """Layout of a text file; BenchDataError for a file that is missing, damaged, or has no header and row."""
    stated = stated or Stated()
    encoding = stated.encoding or encoding_of(path)
    lines, comments = _first_lines(path, encoding)
    delimiter = stated.separator or _delimiter([line.text for line in lines])
    for line in lines:
        line.fields = [cell.strip() for cell in fields_of(line.text, delimiter)]
    place = _header_place(lines)
    comments += [line.text.strip(delimiter + " ") for line in lines[:place]]
    body = lines[place + 1 :]
    raw = tuple(lines[place].fields)
    if len(raw) > MOST_COLUMNS:
        why = f"{len(raw)} columns, at most {MOST_COLUMNS} are read"
        raise BenchDataError([Fault(str(path), lines[place].number, None, None, why, "Check the separator.")])
    units: tuple[str, ...] = ()
    first = lines[place].number + 1
    if body and len(body[0].fields) == len(raw) and is_units_line(body[0].fields):
        units, first, body = (
            tuple(cell.strip("[]() ") for cell in body[0].fields),
            body[0].number + 1,
            body[1:],
        )
    sample = tuple(tuple(line.fields) for line in body if len(line.fields) == len(raw))
    decimal = stated.decimal or decimal_sign([cell for row in sample for cell in row])
    header = told_apart(raw)
    notes: list[str] = [Notice(note) for note in (note_on(encoding),) if note]
    if decimal == ",":
        notes.append(Notice("numbers are read with a decimal comma"))
    if place:
        notes.append(f"the header is line {lines[place].number}; lines above it are not read")
    repeated = tuple(sorted({name for name in raw if raw.count(name) > 1}))
    return Layout(
        path,
        encoding,
        delimiter,
        decimal,
        header,
        units,
        first,
        tuple(comments),
        sample,
        repeated,
        tuple(notes),
    )


def told_apart(names: tuple[str, ...]) -> tuple[str, ...]:
    """Names of columns, each different: 'name (2)' for the second of a name, 'column 3' for one without."""
    found: list[str] = []
    for place, name in enumerate(names):
        name = name or f"column {place + 1}"
        number, shown = 1, name
        while shown in found:
            number += 1
            shown = f"{name} ({number})"
        found.append(shown)
    return tuple(found)


def fields_of(text: str, delimiter: str) -> list[str]:
    """Fields of a line, quotes taken off."""
    if '"' not in text:
        return text.split(delimiter)
    csv.field_size_limit(LONGEST_LINE * 4)
    return next(csv.reader([text], delimiter=delimiter), [""])


def is_units_line(cells: list[str] | tuple[str, ...]) -> bool:
    """Whether a line under the header states units: some are units of a bench, the others are empty or a dash."""
    bare = [cell.strip("[]() ") for cell in cells]
    known = [cell for cell in bare if cell and kind_of(cell) is not None]
    return bool(known) and all(cell in known or cell.lower() in MISSING or cell == "1" for cell in bare)


def is_number(cell: str) -> bool:
    """Whether a cell is a number, with whichever decimal sign."""
    found = one_number(cell, ",") or one_number(cell, ".")
    return found is not None and not found[1]


def _first_lines(path: Path, encoding: str) -> tuple[list[_Line], list[str]]:
    """The first lines that are neither empty nor comments, and the comments among them."""
    lines, comments = list[_Line](), list[str]()
    try:
        with path.open(encoding=encoding, newline="") as file:
            for number, text in enumerate(
                islice(iter(lambda: file.readline(LONGEST_LINE), ""), 5000), start=1
            ):
                if len(text) >= LONGEST_LINE:
                    why = f"a line of more than {LONGEST_LINE} characters"
                    raise BenchDataError(
                        [Fault(str(path), number, None, None, why, "Check that it is a table.")]
                    )
                bare = text.strip("\r\n")
                if bare.lstrip().startswith("#"):
                    comments.append(bare.lstrip().lstrip("#").strip())
                elif bare.strip():
                    lines.append(_Line(number, bare))
                if len(lines) >= SAMPLE_LINES:
                    break
    except (UnicodeError, LookupError) as error:
        why = f"not {encoding} text ({getattr(error, 'reason', error)})"
        raise BenchDataError([Fault(str(path), None, None, None, why, "State its encoding.")]) from None
    if not lines:
        fault = Fault(
            str(path), None, None, None, "the file has no header line", "Export the readings again."
        )
        raise BenchDataError([fault])
    return lines, comments


def _delimiter(lines: list[str]) -> str:
    """The separator that cuts most lines into the same number of fields, two at least."""
    best, score = ",", (0, 0)
    for delimiter in DELIMITERS:
        counts = Counter(text.count(delimiter) for text in lines)
        counts.pop(0, None)
        if not counts:
            continue
        size, often = max(counts.items(), key=lambda item: (item[1], item[0]))
        # the header decides between separators that fit equally well
        found = (often, size) if lines[0].count(delimiter) == size else (often - 1, size)
        if found > score or (found[0] == score[0] and delimiter != "," and best == ","):
            best, score = delimiter, found
    return best


def _header_place(lines: list[_Line]) -> int:
    """Place of the header: the first line, or the first filled one below a preamble.

    A preamble is narrower than the rows, or padded with empty cells to their width.
    """
    widths = Counter(len(line.fields) for line in lines)
    usual = max(widths.items(), key=lambda item: (item[1], item[0]))[0]
    if usual < 2 or (len(lines[0].fields) >= usual and _filled(lines[0]) >= usual / 2):
        return 0
    for place, line in enumerate(lines[:LONGEST_PREAMBLE]):
        words = [cell for cell in line.fields if cell and not is_number(cell)]
        if len(line.fields) < usual or _filled(line) < usual / 2:
            continue
        return place if len(words) >= max(len(line.fields) / 3, 1) else 0
    return 0


def _filled(line: _Line) -> int:
    return sum(bool(cell) for cell in line.fields)
