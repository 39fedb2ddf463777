"""Rows of a bench file in chunks, in memory that does not grow with the file."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from io import StringIO
from itertools import islice
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from margin.bench.data.columns import LABELS
from margin.bench.data.counted import counted
from margin.bench.data.lines import DELIMITERS, field_count, fields_of
from margin.bench.errors import BenchDataError, Fault

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


@dataclass(frozen=True)
class RowFile:
    """A bench file whose header is known; see `lines` for what counts as comment and header."""

    path: Path
    delimiter: str
    header: tuple[str, ...]
    header_line: int
    comments: tuple[str, ...]

    def chunks(
        self, rows: int, bad: BadRows, columns: tuple[str, ...] | None = None
    ) -> Iterator[tuple[pd.DataFrame, NDArray[np.int64]]]:
        """Raw columns and line numbers, at most `rows` lines of the file at a time.

        bad      takes the lines whose number of fields differs from the header's
        columns  to be read; None: all
        """
        width = len(self.header)
        with self.path.open(encoding="utf-8-sig", newline="") as file:
            numbered = enumerate(file, start=1)
            for _ in islice(numbered, self.header_line):
                pass
            while block := list(islice(numbered, rows)):
                lines, text, faults = [], [], []
                for number, line in block:
                    bare = line.strip()
                    if not bare or bare.startswith("#"):
                        continue
                    count = field_count(line.rstrip("\r\n"), self.delimiter)
                    if count != width:
                        why = f"{counted(count, 'field')} where the header has {width}"
                        faults.append(
                            Fault(str(self.path), number, None, bare[:60], why, "Complete the line.")
                        )
                        continue
                    lines.append(number)
                    text.append(line)
                bad.add(faults, len(faults))
                if lines:
                    yield self._parsed(text, columns), np.array(lines, dtype=np.int64)

    def _parsed(self, text: list[str], columns: tuple[str, ...] | None) -> pd.DataFrame:
        return pd.read_csv(
            StringIO("".join(text)),
            sep=self.delimiter,
            names=list(self.header),
            header=None,
            usecols=None if columns is None else list(columns),
            dtype={column: "str" for column in self.header if column in TEXT},
            skipinitialspace=True,
        )


def open_rows(path: Path) -> RowFile:
    """Find the header of `path`; BenchDataError for a file that is missing, not UTF-8 or has no header."""
    name, comments = str(path), list[str]()
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            for number, line in enumerate(file, start=1):
                bare = line.strip()
                if bare.startswith("#"):
                    comments.append(bare.lstrip("#").strip())
                elif bare:
                    delimiter = max(DELIMITERS, key=line.count)
                    header = tuple(text.strip() for text in fields_of(line.strip("\r\n"), delimiter))
                    return RowFile(path, delimiter, header, number, tuple(comments[:KEPT_COMMENTS]))
    except FileNotFoundError:
        fault = Fault(name, None, None, None, "there is no such file", "Check the path.")
        raise BenchDataError([fault]) from None
    except UnicodeDecodeError as error:
        fault = Fault(name, None, None, None, f"not UTF-8 text ({error.reason})", "Save the file as UTF-8.")
        raise BenchDataError([fault]) from None
    fault = Fault(name, None, None, None, "the file has no header line", "Export the readings again.")
    raise BenchDataError([fault])
