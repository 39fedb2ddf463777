"""Pass over a text file of readings: the number of each line of data, and lines that are no row of the table.

The pass costs one integer a line, so that faults found later in a chunk carry the line that an editor shows.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass

from margin.bench.data.counted import counted
from margin.bench.data.layout import Layout, fields_of
from margin.bench.errors import BenchDataError, Fault


@dataclass(frozen=True)
class Lines:
    """Lines of a text file.

    numbers    line in the file (from 1) of each row of data
    skip       lines (from 0) that hold no row of data
    comments   text of the comment lines and of a preamble
    """

    numbers: array[int]
    skip: tuple[int, ...]
    comments: tuple[str, ...]


def scan(layout: Layout) -> Lines:
    """Number the rows below the header; lines that start with '#' are comments.

    Raises BenchDataError with every line whose number of fields differs from the header's, and for a file without rows.
    A quoted field must not contain a line break.
    """
    name, delimiter, width = str(layout.path), layout.delimiter, len(layout.header)
    numbers, skip, comments = array("l"), [], list(layout.comments)
    faults: list[Fault] = []
    with layout.path.open(encoding=layout.encoding, newline="") as file:
        for index, line in enumerate(file):
            text = line.strip("\r\n")
            if index + 1 < layout.first_line or is_no_row(text, delimiter):
                skip.append(index)
                if index + 1 >= layout.first_line and text.lstrip().startswith("#"):
                    comments.append(text.lstrip().lstrip("#").strip())
                continue
            wrong = row_fault(text, delimiter, width, layout.decimal)
            if wrong:
                faults.append(Fault(name, index + 1, None, text[:60], *wrong))
            numbers.append(index + 1)
    if not numbers:
        why = "the file has no readings below its header"
        raise BenchDataError([Fault(name, None, None, None, why, "Export the readings again.")])
    if faults:
        raise BenchDataError(faults)
    return Lines(numbers, tuple(skip), tuple(dict.fromkeys(comments)))


def is_no_row(text: str, delimiter: str) -> bool:
    """Whether a line is empty, holds separators alone, or is a comment."""
    bare = text.strip(delimiter + " \t\r\n")
    return not bare or text.lstrip().startswith("#")


def row_fault(text: str, delimiter: str, width: int, decimal: str = ".") -> tuple[str, str] | None:
    """Why a line is no row of a table of `width` columns, and what to do; None where it is one."""
    if text.count('"') % 2:
        return "an unpaired quotation mark", "Remove it, or complete the line."
    count = field_count(text, delimiter)
    if count == width:
        return None
    why = f"{counted(count, 'field')} where the header has {width}"
    if delimiter == "," and count > width:
        return why, "Complete the line; with decimal commas, export with semicolons between the columns."
    return why, "Complete the line."


def repeated_columns(repeated: tuple[str, ...], name: str) -> list[Fault]:
    """A fault for each column that stands in the header more than once."""
    return [
        Fault(
            name,
            None,
            column or None,
            None,
            "the column appears twice in the header",
            "Rename or remove one.",
        )
        for column in repeated
    ]


def field_count(text: str, delimiter: str) -> int:
    """Number of fields of a line."""
    return len(fields_of(text, delimiter)) if '"' in text else text.count(delimiter) + 1
