"""Meaning and unit of a laboratory's columns, from their names."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from margin.bench.data.cells import MISSING, one_number
from margin.bench.data.column_units import kind_of
from margin.bench.data.layout import is_number
from margin.bench.data.mapping import CANONICAL
from margin.bench.data.vocabulary import (
    LABEL_FIELDS,
    NOT_OUTPUT,
    OUTPUT_FIELDS,
    bare,
    field_of,
    is_ambiguous,
    words_of,
)

_BRACKETS = re.compile(r"^(.*?)\s*[(\[{]\s*([^()\[\]{}]+?)\s*[)\]}]\s*(\(\d+\))?$")
_LOOSE = (
    r"^(.*\S)\s+in\s+(\S+)$",
    r"^(.*?\S)\s*/\s*(\S.*)$",
    r"^(.*\S)\s*/\s*(\S+)$",
    r"^(.*\S)\s*,\s*(\S+)$",
)
_TIGHT = (r"^(.*[^_])_([^_\s]+)$", r"^(.*\S)\s+(\S+)$")
_REPEATED = re.compile(r"^(.*) \(\d+\)$")
_NUMBERED = re.compile(r"^(.*?)[\s_\-#.]*(\d+|[A-Za-z])$")

_UNIT_OF_CANONICAL = {
    "load_N": "N", "time_s": "s", "temperature_degC": "degC", "voltage_V": "V", "resistance_ohm": "ohm",
    "conductance_S": "S", "ratio_mV_per_V": "mV/V", "code": "count",
}  # fmt: skip


@dataclass(frozen=True)
class Named:
    """A column by its name.

    stem     name without its unit; unit as written, '' where there is none
    kind     what the unit measures ('load', 'voltage', ..., 'length'), None without a unit
    field    what the column is taken for, None where nothing is known
    load     value of the load where the whole name is one ('5 N', '0,5 kg', '10')
    numeric  whether the cells of the first rows are numbers
    """

    name: str
    stem: str
    unit: str
    kind: str | None
    field: str | None
    load: tuple[float, str] | None
    numeric: bool


def named_columns(
    header: Sequence[str], units: Sequence[str], sample: Sequence[Sequence[str]]
) -> dict[str, Named]:
    """What each column of a header is by its name, the line of units and its first cells, by name."""
    found = {}
    for place, name in enumerate(header):
        below = units[place] if place < len(units) else ""
        cells = [row[place] for row in sample if place < len(row)]
        found[name] = _named(name, below, cells)
    return found


def group_stem(name: str) -> tuple[str, str] | None:
    """'Pad 3' as ('pad', '3'): a stem and the number or letter behind it; None for other names."""
    match = _NUMBERED.match(_REPEATED.sub(r"\1", name).strip())
    if match is None or (not match[1] and match[2].isalpha()):
        return None
    return bare(match[1]), match[2]


def split_unit(name: str) -> tuple[str, str]:
    """Stem and unit of a name such as 'Kraft (kg)', 'U [mV]', 'R / kohm', 'load_N'; unit '' where there is none."""
    match = _BRACKETS.match(name)
    if match is not None and kind_of(match[2]) is not None:
        return match[1] or name, match[2]
    for pattern in _LOOSE:
        match = re.match(pattern, name)
        if match is not None and kind_of(match[2]) is not None:
            return match[1], match[2]
    for pattern in _TIGHT:
        match = re.match(pattern, name)
        # 'Pad A' is no current and 'Sensor C' no temperature: the unit must be one of what the stem names
        if (
            match is not None
            and kind_of(match[2]) is not None
            and _suits(field_of(match[1]), kind_of(match[2]))
        ):
            return match[1], match[2]
    return name, ""


def _suits(field: str | None, kind: str | None) -> bool:
    return field is not None and (field == kind or (field == "output" and kind in OUTPUT_FIELDS))


def _named(name: str, below: str, cells: Sequence[str]) -> Named:
    if name in _UNIT_OF_CANONICAL:
        kind = next(field for field, column in CANONICAL.items() if column == name)
        return Named(name, name, _UNIT_OF_CANONICAL[name], kind, kind, None, _numeric(cells))
    stem, unit = split_unit(name)
    if not unit and below and kind_of(below) is not None:
        unit = below
    measured = kind_of(unit) if unit else None
    load = _load(stem if measured in OUTPUT_FIELDS else name)
    return Named(name, stem, unit, measured, _field(stem, measured), load, _numeric(cells))


def _field(stem: str, kind: str | None) -> str | None:
    if any(word in NOT_OUTPUT for word in words_of(stem)):
        return None
    word = field_of(stem)
    if kind is not None:
        return kind if kind in CANONICAL else None
    if is_ambiguous(stem) and word not in LABEL_FIELDS:
        return None
    return word


def _load(name: str) -> tuple[float, str] | None:
    text = _REPEATED.sub(r"\1", name).strip()
    text = re.sub(r"^[A-Za-z]+\s*=\s*", "", text)
    words = re.match(r"^(?:load|force|kraft|last|f)?\s*([+-]?[\d.,].*)$", text, re.IGNORECASE)
    if words is None or field_of(text) not in (None, "load"):
        return None
    found = one_number(re.sub(r"[()\[\]]", "", words[1]), "," if "," in words[1] else ".")
    if found is None or (found[1] and kind_of(found[1]) != "load"):
        return None
    return found


def _numeric(cells: Sequence[str]) -> bool:
    given = [cell for cell in cells if cell.strip().lower() not in MISSING]
    good = sum(
        is_number(cell) or one_number(cell) is not None or one_number(cell, ",") is not None for cell in given
    )
    return bool(given) and good >= 0.5 * len(given)
