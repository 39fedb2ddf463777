"""The validation on the terminal and as files."""

from __future__ import annotations

import math
import platform
from collections.abc import Sequence
from decimal import ROUND_HALF_EVEN
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from rich.text import Text

from margin.estimates import numbers
from margin.report.document import records, to_json, with_undetermined
from margin.report.folder import csv_text, publish, require_writable
from margin.report.layout import Column, Row, page_width, plain_text, table_lines, wrap
from margin.report.manifest import VALIDATION
from margin.report.shown import listing
from margin.report.shown import table as html_table
from margin.validation.line import Line
from margin.version import version

FORMAT, VERSION = "margin validation", 1
COLUMNS = ("family", "what", "source", "expected", "computed", "low", "high", "agrees")

LIMITS = (
    "This validates the arithmetic of the program and its intervals, not whether a case describes a product.",
    "Not covered: an error common to all units that takes one of two values, the worse with a probability below 5 %. "
    "There the interval of the lower bound was too low in 25 of 260 large studies.",
)

_EXACT_DIGITS, _ROUNDING = 6, 1e-4
_COLUMNS = (
    Column("Quantity", "left"),
    Column("Expected"),
    Column("Computed"),
    Column("Interval"),
    Column("Agrees", "left"),
)


def table(lines: Sequence[Line]) -> pd.DataFrame:
    """One row a line; see `COLUMNS`."""
    rows = [[getattr(line, column) for column in COLUMNS] for line in lines]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def summary(lines: Sequence[Line]) -> str:
    """Sentence that counts the lines that agree."""
    agreeing = sum(line.agrees for line in lines)
    if agreeing == len(lines):
        return f"All {len(lines)} lines agree."
    return f"{len(lines) - agreeing} of {len(lines)} lines do not agree."


def render(lines: Sequence[Line], seed: int, confidence: float, width: int | None = None) -> str:
    """One line a quantity under its family and source, then the summary; by default as wide as the terminal."""
    width = width or page_width()
    rows: list[Row | str] = []
    for (family, source), group in groupby(lines, lambda line: (line.family, line.source)):
        own = list(group)
        rows.append(f"{family} ({source})")
        rows += [(f"  {line.what}", *cells) for line, cells in zip(own, _cells(own), strict=True)]
    paragraphs = [line for text in (_end(lines, confidence), *LIMITS) for line in wrap(text, width)]
    head = wrap(_title(seed), width)
    return plain_text(
        [*map(Text, head), Text(), *table_lines(_COLUMNS, rows, width), Text(), *map(Text, paragraphs)]
    )


def notebook_html(lines: Sequence[Line], seed: int, confidence: float) -> str:
    """The same as simple HTML for a notebook."""
    rows = [
        (f"{family} ({source})", line.what, *cells)
        for (family, source), group in groupby(lines, lambda line: (line.family, line.source))
        for own in (list(group),)
        for line, cells in zip(own, _cells(own), strict=True)
    ]
    columns = ("Family (source)", *(column.heading for column in _COLUMNS))
    below = listing(("", text) for text in (_end(lines, confidence), *LIMITS))
    return f"<div>{html_table(columns, rows, _title(seed))}{below}</div>"


def _title(seed: int) -> str:
    return f"Validation of margin {version()} against exact values, seed {seed}"


def _end(lines: Sequence[Line], confidence: float) -> str:
    return f"{summary(lines)} Intervals of drawn quantities at {numbers.percent(confidence)}."


def _cells(lines: Sequence[Line]) -> list[tuple[str, str, str, str]]:
    """Expected, computed, interval and agreement of the lines of one family, in one format."""
    last = _last_digit(lines)
    return [_row(line, None if _exact(line) else last) for line in lines]


def _row(line: Line, last: int | None) -> tuple[str, str, str, str]:
    expected, computed, low, high = (
        _number(value, last) for value in (line.expected, line.computed, line.low, line.high)
    )
    shown = computed if _exact(line) else f"{low} to {high}"
    return expected, computed, shown, "yes" if line.agrees else "NO"


def _exact(line: Line) -> bool:
    """Whether the interval only allows for rounding."""
    return math.isclose(line.low, line.high, rel_tol=_ROUNDING)


def _last_digit(lines: Sequence[Line]) -> int | None:
    """Last digit of a family: one more than its finest interval supports, to show where numbers differ."""
    ends = [(e.low, e.high) for e in lines if np.isfinite([e.low, e.high]).all() and not _exact(e)]
    supported = [digit for pair in ends if (digit := numbers.digit_supported(*pair)) is not None]
    return min(supported) - 1 if supported else None


def _number(value: float, last: int | None) -> str:
    if not np.isfinite(value):
        return numbers.NOT_DETERMINED
    if last is None:
        return numbers.plain(value, digits=_EXACT_DIGITS)
    return numbers.fixed(float(value), last, ROUND_HALF_EVEN)


def write(
    lines: Sequence[Line], seed: int, confidence: float, folder: str | Path, *, replace: bool = False
) -> Path:
    """Write `validation.json` and `validation.csv`; FolderNotOurs as for a report."""
    require_writable(folder, VALIDATION, replace=replace)
    contents = {"validation.csv": csv_text(table(lines))}
    contents["validation.json"] = to_json(document(lines, seed, confidence, (*contents, "validation.json")))
    publish(folder, contents, VALIDATION, replace=replace)
    return Path(folder) / "validation.json"


def document(
    lines: Sequence[Line], seed: int, confidence: float, files: tuple[str, ...] = ()
) -> dict[str, Any]:
    """Everything compared as plain data, with what computed it."""
    plain = {
        "format": {"name": FORMAT, "version": VERSION},
        "files": list(files),
        "agrees": all(line.agrees for line in lines),
        "summary": summary(lines),
        "confidence": confidence,
        "lines": records(table(lines)),
        "limits": list(LIMITS),
        "computed": {
            "seed": seed,
            "version": version(),
            "python": platform.python_version(),
            "numpy": np.__version__,
            "machine": platform.machine(),
        },
    }
    return with_undetermined(plain)
