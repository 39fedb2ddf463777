"""Faults of a case file: one a line, each with its place, reason and remedy."""

from __future__ import annotations

import difflib
import json
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from distributions.errors import MarginError

LONGEST_VALUE = 70
LONGEST_LINE = 900


@dataclass(frozen=True)
class Fault:
    """One fault. `table` and `key` are empty and `value` is None where the fault has no such place.

    table  as it stands in the file without brackets: 'circuit', 'calibration 2', 'use.condition 1'
    value  what stands in the file
    """

    file: str
    table: str
    key: str
    value: Any
    reason: str
    mend: str = ""

    def __str__(self) -> str:
        place = f"[{self.table}] " if self.table else ""
        if self.key:
            place += self.key
            if self.value is not None:
                place += f" = {as_written(self.value)}"
        place = place.strip()
        head = f"{self.file}: {place}: " if place else f"{self.file}: "
        return _one_line(head + self.reason + (f"; {self.mend}" if self.mend else ""))


def _one_line(text: str) -> str:
    """A text with control characters, of keys in quotes say, written out, and cut short where it is very long."""
    shown = (
        text
        if text.isprintable()
        else "".join(
            each if unicodedata.category(each) not in ("Cc", "Cf", "Cs", "Zl", "Zp") else ascii(each)[1:-1]
            for each in text
        )
    )
    return shown if len(shown) <= LONGEST_LINE else shown[: LONGEST_LINE - 4] + " ..."


class CaseError(MarginError, ValueError):
    """A case that cannot be used; `faults` holds all that was found, `str` one line for each."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))

    def __reduce__(self) -> tuple[type[CaseError], tuple[tuple[Fault, ...]]]:
        return type(self), (self.faults,)


class ValueFault(MarginError, ValueError):
    """A value that cannot be read: reason and mend, without its place in the file."""

    def __init__(self, reason: str, mend: str = "") -> None:
        super().__init__(reason + (f"; {mend}" if mend else ""))
        self.reason = reason
        self.mend = mend

    def __reduce__(self) -> tuple[type[ValueFault], tuple[str, str]]:
        return type(self), (self.reason, self.mend)


def as_written(value: Any) -> str:
    """A value as it would stand in the file, cut short where it is long."""
    if isinstance(value, bool):
        text = "true" if value else "false"
    elif isinstance(value, str):
        text = json.dumps(value, ensure_ascii=False)
    elif isinstance(value, dict):
        text = "{ " + ", ".join(f"{k} = {as_written(v)}" for k, v in list(value.items())[:9]) + " }"
    elif isinstance(value, list | tuple):
        text = "[" + ", ".join(as_written(v) for v in list(value)[:9]) + "]"
    elif isinstance(value, int) and abs(value) >= 10**LONGEST_VALUE:
        text = "a number of very many digits"
    else:
        text = str(value)
    return text if len(text) <= LONGEST_VALUE else text[: LONGEST_VALUE - 4] + " ..."


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word that is most like `word`, None if none is alike."""
    found = difflib.get_close_matches(word[:80], list(known), n=1, cutoff=0.6)
    return found[0] if found else None


def choices(words: Iterable[object]) -> str:
    """Words to choose from: '"a", "b" or "c"'."""
    quoted = [f'"{word}"' if isinstance(word, str) else str(word) for word in words]
    if len(quoted) < 2:
        return "".join(quoted)
    return ", ".join(quoted[:-1]) + " or " + quoted[-1]
