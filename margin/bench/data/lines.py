"""First pass over a bench file: its delimiter, its header, and the number of each line of data.

The pass costs one integer a line, so that faults found later in a chunk carry the line that an editor shows.
"""

from __future__ import annotations

import csv
from array import array
from dataclasses import dataclass
from pathlib import Path

from margin.bench.data.counted import counted
from margin.bench.errors import BenchDataError, Fault

DELIMITERS = (",", ";", "\t")


@dataclass(frozen=True)
class Lines:
    """Layout of a bench file.

    delimiter  ',', ';' or tab, whichever the header holds most of
    header     column names
    numbers    line in the file (from 1) of each row of data
    skip       lines (from 0) that hold a comment or nothing, and the header
    comments   text of the comment lines
    """

    delimiter: str
    header: tuple[str, ...]
    numbers: array[int]
    skip: tuple[int, ...]
    comments: tuple[str, ...]


def scan(path: Path) -> Lines:
    """Read the layout of `path`: lines that start with '#' are comments, the first other line is the header.

    Raises BenchDataError with every line whose number of fields differs from the header's, for a file that
    is missing, empty or not UTF-8. A quoted field must not contain a line break.
    """
    name = str(path)
    numbers, skip, comments = array("l"), [], []
    header: tuple[str, ...] = ()
    delimiter = ","
    faults: list[Fault] = []
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            for index, line in enumerate(file):
                text = line.strip("\r\n")
                if not text.strip() or text.lstrip().startswith("#"):
                    skip.append(index)
                    if text.strip():
                        comments.append(text.lstrip().lstrip("#").strip())
                elif not header:
                    delimiter = max(DELIMITERS, key=text.count)
                    header = tuple(field.strip() for field in fields_of(text, delimiter))
                    skip.append(index)
                else:
                    count = field_count(text, delimiter)
                    if count != len(header):
                        why = f"{counted(count, 'field')} where the header has {len(header)}"
                        faults.append(Fault(name, index + 1, None, text[:60], why, "Complete the line."))
                    numbers.append(index + 1)
    except FileNotFoundError:
        raise BenchDataError(
            [Fault(name, None, None, None, "there is no such file", "Check the path.")]
        ) from None
    except UnicodeDecodeError as error:
        fault = Fault(name, None, None, None, f"not UTF-8 text ({error.reason})", "Save the file as UTF-8.")
        raise BenchDataError([fault]) from None
    if not header or not numbers:
        missing = "readings below its header" if header else "header line"
        fault = Fault(name, None, None, None, f"the file has no {missing}", "Export the readings again.")
        raise BenchDataError([fault])
    faults += repeated_columns(header, name)
    if faults:
        raise BenchDataError(faults)
    return Lines(delimiter, header, numbers, tuple(skip), tuple(comments))


def repeated_columns(header: tuple[str, ...], name: str) -> list[Fault]:
    """A fault for each column that stands in the header more than once."""
    return [
        Fault(name, None, column, None, "the column appears twice in the header", "Rename or remove one.")
        for column in sorted({column for column in header if header.count(column) > 1})
    ]


def fields_of(text: str, delimiter: str) -> list[str]:
    """Fields of a line, quotes taken off."""
    return next(csv.reader([text], delimiter=delimiter))


def field_count(text: str, delimiter: str) -> int:
    """Number of fields of a line."""
    return len(fields_of(text, delimiter)) if '"' in text else text.count(delimiter) + 1
