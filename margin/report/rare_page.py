"""Rare failures on the terminal and as files."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import pandas as pd
from rich.text import Text

from margin.estimates import numbers
from margin.estimates.failing_unit import COLUMNS, FailingUnit
from margin.estimates.number_columns import PERCENT
from margin.estimates.rare import CrossCheck
from margin.estimates.rare_failures import RareFailures
from margin.report.document import records, to_json, with_undetermined
from margin.report.folder import csv_text, publish, require_writable
from margin.report.layout import Column, page_width, plain_text, table_lines, wrapped

FORMAT, VERSION = "margin rare failures", 1
_SHOWN = 10
_PPM = numbers.Scale(1e6, "ppm")
_PPM_BELOW = 1e-3
_PARTS = (
    Column("Factor", "left"),
    Column("Where", "left"),
    Column("Value", "left"),
    Column("Standard deviations\nfrom the median"),
)
NOT_SEPARATE = (
    "The sampling uncertainty of few measured units, and the station, are drawn afresh for every unit here: the "
    "probability is that of a unit of unknown origin, not a bound."
)


def render(found: RareFailures, width: int | None = None) -> str:
    """Probability, interval and the most probable failing unit, by default as wide as the terminal."""
    width = width or page_width()
    result = found.result
    scale = _PPM if result.high < _PPM_BELOW else PERCENT
    shown = numbers.with_interval(result.probability, result.low, result.high, scale=scale)
    level = numbers.percent(result.level)
    lines = wrapped("Units that fail:", f"{shown} at {level}, calibration {found.option!r}", width)
    method = "plain draws" if result.method == "crude" else f"{result.method} sampling"
    how = (
        f"{method}, {numbers.count(result.evaluations)} units evaluated ({numbers.count(found.searched)} more to find "
        f"the unit below): {result.why}"
    )
    lines += wrapped("Method:", how, width)
    if result.cross_check is not None:
        lines += wrapped("Cross-check:", cross_check_in_words(result.cross_check), width)
    for warning in result.warnings:
        lines += wrapped("Warning:", warning, width, "bold red")
    lines += _unit_lines(found.unit, width)
    return plain_text(lines + wrapped("Note:", NOT_SEPARATE, width))


def _unit_lines(unit: FailingUnit | None, width: int) -> list[Text]:
    """The most probable failing unit, and what makes it fail, the furthest from the median first."""
    label = "Most probable failing unit:"
    if unit is None:
        return wrapped(label, "none was found", width)
    away = f"{unit.distance:.1f} standard deviations from the median unit"
    lines = wrapped(
        label, f"fails at {unit.fails_at}; {away if unit.distance else 'it is the median unit'}", width
    )
    parts = [row for _, row in unit.parts.head(_SHOWN).iterrows()]
    rows = [
        (str(row["factor"]), str(row["where"]), str(row["value"]), f"{row['score']:+.1f}") for row in parts
    ]
    lines += table_lines(_PARTS, rows, width) if rows else []
    left = len(unit.parts) - len(parts)
    return lines + (
        wrapped("and", f"{left} more of less weight in failing_unit.csv", width, "none") if left else []
    )


def cross_check_in_words(check: CrossCheck) -> str:
    """What the search for missed failing regions did and found."""
    if not check.sweeps:
        return "none was made"
    runs = "1 independent run" if check.sweeps == 1 else f"{check.sweeps} independent runs"
    end = "nothing is missing now" if check.added else "no failing region was missed"
    return (
        f"{runs} of subset sampling, {numbers.count(check.evaluations)} more units; design points added: "
        f"{check.added}; "
        f"{end if check.complete else 'incomplete, see the warning'}"
    )


def write(found: RareFailures, folder: str | Path) -> Path:
    """Write `rare.json` and `failing_unit.csv`; FolderNotOurs as for a report."""
    require_writable(folder)
    contents = {"failing_unit.csv": csv_text(_parts(found))}
    contents["rare.json"] = to_json(document(found, (*contents, "rare.json")))
    publish(folder, contents)
    return Path(folder) / "rare.json"


def _parts(found: RareFailures) -> pd.DataFrame:
    return pd.DataFrame(columns=list(COLUMNS)) if found.unit is None else found.unit.parts


def _unit(unit: FailingUnit) -> dict[str, Any]:
    return {
        "load_N": unit.load,
        "condition": unit.condition,
        "error_N": unit.error,
        "permissible_N": unit.permissible,
        "distance": unit.distance,
        "parts": records(unit.parts),
    }


def document(found: RareFailures, files: tuple[str, ...] = ()) -> dict[str, Any]:
    """Everything found as plain data."""
    result = found.result
    plain = {
        "format": {"name": FORMAT, "version": VERSION},
        "files": list(files),
        "case": found.case.name,
        "option": found.option,
        "probability": result.probability,
        "low": result.low,
        "high": result.high,
        "level": result.level,
        "coefficient_of_variation": result.coefficient_of_variation,
        "evaluations": result.evaluations,
        "method": result.method,
        "why": result.why,
        "warnings": list(result.warnings),
        "cross_check": None if result.cross_check is None else dataclasses.asdict(result.cross_check),
        "searched": found.searched,
        "failing_unit": None if found.unit is None else _unit(found.unit),
        "computed": {"seed": found.case.study.seed, "version": found.version},
        "note": NOT_SEPARATE,
    }
    return with_undetermined(plain)
