"""Text files that make up a case: read whole, as UTF-8, as TOML; each fault names the file."""

from __future__ import annotations

import csv
import stat
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from margin.case.faults import CaseError, Fault

LARGEST_FILE = 1_000_000
"""Bytes. A case is written by hand; anything larger is some other file."""


def text_of(path: Path, largest: int = LARGEST_FILE) -> str:
    """Text of a file, of at most `largest` bytes. CaseError where it cannot be read; waits for no pipe or device."""
    file = str(path)
    try:
        if path.is_dir():
            raise CaseError([Fault(file, "", "", None, "is a folder", "name the file in it")])
        kind = path.stat()
        if not stat.S_ISREG(kind.st_mode):
            raise CaseError([Fault(file, "", "", None, "is a device, pipe or socket", "name a file")])
        if kind.st_size > largest:
            reason = f"{kind.st_size} bytes are too many for a case (at most {largest})"
            raise CaseError([Fault(file, "", "", None, reason, "is this the right file?")])
        with path.open("rb") as opened:
            content = opened.read(largest + 1)
    except FileNotFoundError as error:
        raise CaseError([Fault(file, "", "", None, "there is no such file", "check the path")]) from error
    except (OSError, ValueError) as error:
        if isinstance(error, CaseError):
            raise
        reason = f"cannot be read ({getattr(error, 'strerror', None) or error})"
        raise CaseError([Fault(file, "", "", None, reason, "check the path and its permissions")]) from error
    return _decoded(content, file)


def _decoded(content: bytes, file: str) -> str:
    """UTF-8 text; CaseError that names the other encoding where it can be recognised."""
    if content.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\0" in content[:200]:
        reason = "is UTF-16 or UTF-32 text, or no text at all"
        raise CaseError([Fault(file, "", "", None, reason, "save it as UTF-8")])
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        reason = f"is not UTF-8 text (line {line})"
        raise CaseError([Fault(file, "", "", None, reason, "save it as UTF-8")]) from error


def rows_of(text: str, file: str) -> Iterator[list[str]]:
    """Rows of a text with separators of commas. CaseError for one that is no such row."""
    rows = csv.reader(text.splitlines())
    while True:
        try:
            row = next(rows, None)
        except csv.Error as error:
            reason = f"line {rows.line_num} is no row of values ({error})"
            raise CaseError([Fault(file, "", "", None, reason, "export the file again")]) from error
        if row is None:
            return
        yield row


def tables_of(text: str, file: str) -> dict[str, Any]:
    """Tables of a TOML text. Raises CaseError."""
    try:
        return tomllib.loads(text.replace("\r\n", "\n"))
    except tomllib.TOMLDecodeError as error:
        unquoted = "Invalid value" in str(error) or "Expected newline" in str(error)
        mend = 'texts stand in quotes, as in range = "2 N to 60 N"' if unquoted else ""
        raise CaseError([Fault(file, "", "", None, f"is not TOML: {error}", mend)]) from error
    except (ValueError, RecursionError) as error:
        raise CaseError(
            [Fault(file, "", "", None, "is not TOML: too long a number or too deep a list")]
        ) from error


def file_beside(case: Path | None, name: str, *, file: str, table: str, key: str) -> Path:
    """Path of a file that a case names, relative to itself. Raises CaseError where there is none.

    case  path of the case file, None for a case that is in memory; file: its name in messages
    """
    place = (case.parent if case is not None else Path()) / name
    if not place.exists():
        mend = "check the name; it is relative to the case file"
        raise CaseError([Fault(file, table, key, name, f"there is no such file ({place})", mend)])
    return place
