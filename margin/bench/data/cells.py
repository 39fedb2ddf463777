"""Numbers from the cells of a laboratory's table: decimal comma, grouped thousands, a unit behind the number."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from margin.bench.data.column_units import Conversion, conversion, kind_of
from margin.case.units import UnitError

Array = NDArray[np.float64]

MISSING = frozenset((
    "", "nan", "na", "n/a", "n.a.", "k.a.", "null", "none", "-", "--", "–", "—", "#n/a", "#div/0!", "#value!", "#num!",
    "#ref!",
))  # fmt: skip
"""Cells without a reading, in lower case: flagged 'not a number', not refused."""

_OPEN = frozenset(("ol", "0l", "o.l", "o.l.", "overload", "open", "inf", "+inf", "∞"))
"""What an ohmmeter shows for an open circuit (common practice, no source)."""

_NUMBER = re.compile(r"^([+-]?[\d.,'’\u00a0\u202f ]*\d[.,]?(?:[eE][+-]?\d+)?)\s*([^\d\s].*)?$")
_COMMA = re.compile(r"^[+-]?\d*,\d+(?:[eE][+-]?\d+)?$")
_POINT = re.compile(r"^[+-]?\d*\.\d+(?:[eE][+-]?\d+)?$")


@dataclass(frozen=True)
class Numbers:
    """Cells of a column as numbers.

    values  (n,), in the unit of the bench; NaN where there is no reading
    bad     (place, text, why) of each cell that is neither a number nor empty
    own     cells that carry a unit of their own
    """

    values: Array
    bad: tuple[tuple[int, str, str], ...]
    own: int


def decimal_sign(texts: list[str]) -> str:
    """',' where more cells are numbers with a decimal comma than with a point, else '.'."""
    commas = sum(bool(_COMMA.match(text.strip())) for text in texts)
    points = sum(bool(_POINT.match(text.strip())) for text in texts)
    return "," if commas > points else "."


def numbers(cells: pd.Series[str], decimal: str, field: str, unit: str) -> Numbers:
    """Cells of text as numbers of `field` ('' for one without units); `unit` is that of the column."""
    text = cells.fillna("").astype(str).str.strip()
    if decimal == ",":
        simple = text.where(~text.str.contains(".", regex=False), "").str.replace(",", ".", regex=False)
    else:
        simple = text
    values = pd.to_numeric(simple, errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan, copy=True)
    own = np.zeros(values.size, dtype=bool)
    bad: list[tuple[int, str, str]] = []
    convert = conversion(field, unit) if unit else Conversion()
    rest = np.flatnonzero(np.isnan(values) & ~text.str.lower().isin(MISSING).to_numpy(dtype=bool))
    for place in rest:
        shown = str(text.iloc[place])
        if field == "resistance" and shown.lower() in _OPEN:
            values[place] = np.inf
            continue
        found = _one(shown, decimal, field)
        if isinstance(found, str):
            bad.append((int(place), shown, found))
        else:
            values[place], own[place] = found
    values = np.where(own, values, convert(values))
    return Numbers(values, tuple(bad), int(own.sum()))


def one_number(text: str, decimal: str = ".") -> tuple[float, str] | None:
    """Number and unit of a text such as '5 N' or '0,5 kg' (unit '' where there is none); None for other text."""
    match = _NUMBER.match(text.strip().replace("\u2212", "-"))
    value = None if match is None else _plain_number(match[1].strip(), decimal)
    return None if match is None or value is None else (value, (match[2] or "").strip())


def _one(text: str, decimal: str, field: str) -> tuple[float, bool] | str:
    """Value and whether it was converted by a unit of its own; or what is wrong."""
    match = _NUMBER.match(text.replace("\u2212", "-"))
    if match is None:
        return "not a number"
    value = _plain_number(match[1].strip(), decimal)
    if value is None:
        other = "a decimal point" if decimal == "," else "a comma"
        return f"{other} in a file whose decimal sign is '{decimal}'"
    if not match[2]:
        return value, False
    kind = kind_of(match[2])
    if kind != field:
        return f"a number with '{match[2]}', which is not a unit of {field or 'this column'}"
    try:
        return float(conversion(field, match[2])(np.array([value]))[0]), True
    except UnitError:
        return "not a number"


def _plain_number(text: str, decimal: str) -> float | None:
    """A number in digits, thousands grouped or not; None where comma and point do not fit the decimal sign."""
    text = re.sub(r"(?<=\d)['’\u00a0\u202f ](?=\d{3}(?:\D|$))", "", text)
    group = "." if decimal == "," else ","
    if group in text:
        grouped = re.fullmatch(rf"[+-]?\d{{1,3}}(\{group}\d{{3}})+(\{decimal}\d+)?", text)
        if grouped is None or (grouped[2] is None and text.count(group) < 2):
            return None
        text = text.replace(group, "")
    try:
        return float(text.replace(decimal, "."))
    except ValueError:
        return None
