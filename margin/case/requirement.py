"""The maximum permissible error as text: of what each percentage is taken, and how the parts combine.

limit = part | ( "larger of" | "sum of" ) part { ( "and" | "," ) part }
part  = number "%" "of reading" | number "%" "of span" | number force
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Literal

from margin.case import units
from margin.case.faults import ValueFault
from margin.case.grammar import read_text

EXAMPLE = "larger of 6 % of reading and 1 % of span"
_PERCENT = re.compile(r"(\d{1,9}(?:\.\d{1,9})?)\s*%\s*(?:of\s+(?:the\s+)?(.*))?")


@dataclass(frozen=True)
class PermissibleError:
    """Parts of the limit: share of the load, share of the span, N; 'larger' or 'sum' of them."""

    reading: float
    span: float
    absolute: float
    combine: Literal["larger", "sum"]


def read_permissible_error(value: Any) -> PermissibleError:
    """Raises ValueFault where the text says not of what, or not how the parts combine."""
    mend = f'write for example "{EXAMPLE}" or "2 N"'
    if not isinstance(value, str):
        raise ValueFault("is not a text", mend)
    text = units.plain(value).strip()
    head = re.match(r"(larger|sum)\s+of\s+", text)
    combine: Literal["larger", "sum"] = "sum" if head and head.group(1) == "sum" else "larger"
    body = text[head.end() :] if head else text
    parts = [part.strip() for part in re.split(r"\s+and\s+|,", body)]
    if head is None and len(parts) > 1:
        raise ValueFault("does not say how its parts combine", 'open it with "larger of" or "sum of"')
    if head is not None and len(parts) < 2:
        raise ValueFault(f'"{head.group().strip()}" needs two parts or more', mend)
    found: dict[str, float] = {}
    for part in parts:
        name, size = _part(part, mend)
        if name in found:
            raise ValueFault(f"states the part {_title(name)} twice", "keep one of them")
        found[name] = size
    return PermissibleError(
        found.get("reading", 0.0), found.get("span", 0.0), found.get("absolute", 0.0), combine
    )


def _title(name: str) -> str:
    return "in N" if name == "absolute" else f"of {name}"


def _part(part: str, mend: str) -> tuple[str, float]:
    match = _PERCENT.fullmatch(part)
    if match is None:
        return "absolute", _force(part, mend)
    size = float(Fraction(match.group(1)) / 100)
    of = (match.group(2) or "").strip()
    if not of:
        raise ValueFault(f'"{part}" does not say of what', f'write "{part} of reading" or "{part} of span"')
    if of not in ("reading", "span"):
        raise ValueFault(
            f'"of {of}" is not known', 'write "of reading" or "of span" (span: highest less lowest load)'
        )
    if not 0.0 < size <= 1.0:
        raise ValueFault(f'"{part}" must be above 0 % and at most 100 %', mend)
    return of, size


def _force(part: str, mend: str) -> float:
    written = read_text(part).nominal if part else None
    if written is None:
        raise ValueFault(f'"{part}" is not a limit', mend)
    try:
        size = units.to_si(written.value, written.unit, "N")
    except units.UnitError as error:
        raise ValueFault(f'"{part}" is not a limit ({error})', mend) from error
    if size <= 0.0:
        raise ValueFault(f'"{part}" must be above 0', mend)
    return size
