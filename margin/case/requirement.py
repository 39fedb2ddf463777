"""The maximum permissible error as text: of what each percentage is taken, and how the parts combine.

limit = part | ( "larger of" | "sum of" ) part { ( "and" | "," ) part }
part  = share "of" ( "reading" | "span" | "full scale" | "rated load" ) | number force
share = number "%" | number "ppm"

span        highest less lowest load of [load] range
full scale  highest load of [load] range
rated load  of the sensor, or [load] rated where the sensor has none
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, Literal

from margin.case import units
from margin.case.faults import ValueFault
from margin.case.grammar import read_text

EXAMPLE = "larger of 6 % of reading and 1 % of span"

REFERENCES: dict[str, str] = {
    "reading": "reading",
    "span": "span",
    "full scale": "full_scale",
    "full-scale": "full_scale",
    "rated load": "rated",
}
"""What a share may be of, as written -> field of `PermissibleError`."""

TITLES = {"reading": "of reading", "span": "of span", "full_scale": "of full scale", "rated": "of rated load"}

_SHARE = re.compile(r"(.*?)\s*(?:\bof\s+(?:the\s+)?(.*))", re.DOTALL)


@dataclass(frozen=True, kw_only=True)
class PermissibleError:
    """Parts of the limit: share of load, span, full scale and rated load, N; 'larger' or 'sum' of them."""

    reading: float = 0.0
    span: float = 0.0
    full_scale: float = 0.0
    rated: float = 0.0
    absolute: float = 0.0
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
            raise ValueFault(f"states the part {TITLES.get(name, 'in N')} twice", "keep one of them")
        found[name] = size
    return PermissibleError(combine=combine, **found)


def _part(part: str, mend: str) -> tuple[str, float]:
    """Field and size of one part; a share as a number, a force in N."""
    match = _SHARE.fullmatch(part)
    amount = part if match is None else match.group(1)
    written = read_text(amount).nominal if amount else None
    if written is None or not units.is_ratio(written.unit) or not written.unit:
        return "absolute", _force(part, mend)
    if match is None:
        raise ValueFault(f'"{part}" does not say of what', f'write "{part} of reading" or "{part} of span"')
    of = " ".join(match.group(2).split())
    if of not in REFERENCES:
        known = "reading, of span (highest less lowest load), of full scale (highest load) or of rated load"
        raise ValueFault(f'"of {of}" is not recognised', f"write of {known}")
    size = units.difference_to_si(written.value, written.unit, "")
    if not 0.0 < size <= 1.0:
        raise ValueFault(f'"{part}" must be above 0 % and at most 100 %', mend)
    return REFERENCES[of], size


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
