"""Names in a case: what a person reads in one line, in any script."""

from __future__ import annotations

import os
import unicodedata
from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, Field

from margin.case.faults import ValueFault

_TURNING = frozenset(map(chr, (*range(0x202A, 0x202F), *range(0x2066, 0x206A), 0x200E, 0x200F)))
"""Characters that turn the direction of the text around them."""

_LINES = {
    "\n": "a line break",
    "\r": "a line break",
    "\u2028": "a line break",
    "\u2029": "a line break",
    "\t": "a tab",
}


def require_one_line(text: str) -> str:
    """The text; ValueFault where it contains a line break or a control character, or turns the text around it."""
    return _require(text, ())


def require_printable(text: str) -> str:
    """The text; ValueFault where it contains control characters but line breaks and tabs."""
    return _require(text, ("\n", "\r", "\t"))


def _require(text: str, but: tuple[str, ...]) -> str:
    for place, character in enumerate(text, 1):
        if character in but or (
            unicodedata.category(character) not in ("Cc", "Cs") and character not in _LINES
        ):
            if character in _TURNING:
                reason = f"contains a character that turns the direction of text (U+{ord(character):04X})"
                raise ValueFault(
                    f"{reason}, at place {place}", "leave it out; letters of any script may stand there"
                )
            continue
        what = _LINES.get(character, f"a control character (U+{ord(character):04X})")
        raise ValueFault(
            f"contains {what}, at place {place}", "write it in one line of letters, digits and signs"
        )
    return text


def name_of_file(path: Path) -> str:
    """The name that a file gives to its case: its stem, with what a name may not hold replaced."""
    stem = os.fsencode(path.stem).decode("utf-8", "replace")
    plain = (
        c if unicodedata.category(c) not in ("Cc", "Cs", "Zl", "Zp") and c not in _TURNING else "_"
        for c in stem
    )
    return "".join(plain)[:200]


OneLine = Annotated[str, AfterValidator(require_one_line)]
ShortName = Annotated[str, Field(min_length=1, max_length=80), AfterValidator(require_one_line)]
Printable = Annotated[str, AfterValidator(require_printable)]
