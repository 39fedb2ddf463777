"""Text files that make up a case: read whole, as UTF-8, as TOML; each fault names the file."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from margin.case.faults import CaseError, Fault

LARGEST_FILE = 1_000_000
"""Bytes. A case is written by hand; anything larger is some other file."""


def text_of(path: Path) -> str:
    """Text of a file. Raises CaseError where there is none to be had."""
    file = str(path)
    try:
        if path.is_dir():
            raise CaseError([Fault(file, "", "", None, "is a folder", "name the case file in it")])
        if not path.exists():
            raise CaseError([Fault(file, "", "", None, "there is no such file", "check the path")])
        size = path.stat().st_size
        if size > LARGEST_FILE:
            reason = f"{size} bytes are too many for a case (at most {LARGEST_FILE})"
            raise CaseError([Fault(file, "", "", None, reason, "is this the right file?")])
        content = path.read_bytes()
    except (OSError, ValueError) as error:
        if isinstance(error, CaseError):
            raise
        reason = f"cannot be read ({getattr(error, 'strerror', None) or error})"
        raise CaseError([Fault(file, "", "", None, reason, "check the path and its permissions")]) from error
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        reason = f"is not UTF-8 text (line {line})"
        raise CaseError([Fault(file, "", "", None, reason, "save it as UTF-8")]) from error


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
