"""The validation on the terminal and as files."""

from __future__ import annotations

import platform
import textwrap
from collections.abc import Sequence
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from margin.estimates import numbers
from margin.report.document import records, to_json, with_undetermined
from margin.report.folder import csv_text, publish, require_writable
from margin.report.manifest import VALIDATION
from margin.report.shown import listing
from margin.report.shown import table as html_table
from margin.validation.line import Line
from margin.version import version

FORMAT, VERSION = "margin validation", 1
COLUMNS = ("family", "what", "source", "expected", "computed", "low", "high", "agrees")

LIMITS = (
    "What agrees here is the arithmetic of the program and its intervals; whether a case describes a product is not "
    "validated by it.",
    "A common error of two values, of which the worse comes with less than 5 %, is left out: of 260 large studies the "
    "interval of its lower bound lay too low in 25.",
)

_NUMBER, _INTERVAL, _WIDTH = 11, 22, 112


def table(lines: Sequence[Line]) -> pd.DataFrame:
    """One row a line; see `COLUMNS`."""
    rows = [[getattr(line, column) for column in COLUMNS] for line in lines]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def summary(lines: Sequence[Line]) -> str:
    """How many lines agree, in one sentence."""
    agreeing = sum(line.agrees for line in lines)
    if agreeing == len(lines):
        return f"All {len(lines)} lines agree."
    return f"{len(lines) - agreeing} of {len(lines)} lines do not agree."


def render(lines: Sequence[Line], seed: int, confidence: float) -> str:
    """One line a quantity under its family and source, then the summary; at most 112 columns."""
    widest = max((len(line.what) for line in lines), default=0) + 2
    text = [
        f"Validation of margin {version()} against exact values, seed {seed}",
        "",
        f"{'':{widest}}{'expected':>{_NUMBER}}{'computed':>{_NUMBER}}{'interval':>{_INTERVAL}}  agrees",
    ]
    for (family, source), group in groupby(lines, lambda line: (line.family, line.source)):
        text.append(f"{family} ({source})")
        text += [_row(line, widest) for line in group]
    text += ["", f"{summary(lines)} Intervals of drawn quantities at {numbers.percent(confidence)}."]
    for limit in LIMITS:
        text += textwrap.wrap(limit, _WIDTH)
    return "\n".join(text) + "\n"


def notebook_html(lines: Sequence[Line], seed: int, confidence: float) -> str:
    """The same as simple HTML for a notebook."""
    title = f"Validation of margin {version()} against exact values, seed {seed}"
    rows = [(f"{line.family} ({line.source})", line.what, *_cells(line)) for line in lines]
    columns = ("Family (source)", "What", "Expected", "Computed", "Interval", "Agrees")
    end = f"{summary(lines)} Intervals of drawn quantities at {numbers.percent(confidence)}."
    return f"<div>{html_table(columns, rows, title)}{listing(('', text) for text in (end, *LIMITS))}</div>"


def _row(line: Line, widest: int) -> str:
    expected, computed, shown, agrees = _cells(line)
    return (
        f"{f'  {line.what}':{widest}}{expected:>{_NUMBER}}{computed:>{_NUMBER}}{shown:>{_INTERVAL}}  {agrees}"
    )


def _cells(line: Line) -> tuple[str, str, str, str]:
    """Expected, computed, interval, and whether they agree."""
    expected, computed, low, high = (_number(v) for v in (line.expected, line.computed, line.low, line.high))
    return expected, computed, f"{low} to {high}" if low != high else low, "yes" if line.agrees else "NO"


def _number(value: float) -> str:
    return f"{value:.5g}" if np.isfinite(value) else numbers.NOT_DETERMINED


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
