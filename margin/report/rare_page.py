"""Rare failures on the terminal and as files."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pandas as pd

from margin.estimates import numbers
from margin.estimates.failing_unit import COLUMNS, FailingUnit
from margin.estimates.number_columns import PERCENT
from margin.estimates.rare import CrossCheck
from margin.estimates.rare_failures import RareFailures
from margin.report.document import records, to_json, with_undetermined
from margin.report.folder import csv_text, publish, require_writable
from margin.report.layout import Column, page_width, plain_text, table_lines, wrapped
from margin.report.manifest import subject_of
from margin.report.shown import listing
from margin.report.shown import table as html_table

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
    lines = [line for label, text, look in _said(found) for line in wrapped(label, text, width, look)]
    rows, rest = _part_rows(found.unit)
    lines += table_lines(_PARTS, rows, width) if rows else []
    lines += wrapped("and", rest, width, "none") if rest else []
    return plain_text(lines + wrapped("Note:", NOT_SEPARATE, width))


def notebook_html(found: RareFailures) -> str:
    """The same as simple HTML for a notebook."""
    rows, rest = _part_rows(found.unit)
    columns = [column.heading.replace("\n", " ") for column in _PARTS]
    parts = html_table(columns, rows) if rows else ""
    above = listing((label, text) for label, text, _ in _said(found))
    below = listing([*([("and", rest)] if rest else []), ("Note:", NOT_SEPARATE)])
    return f"<div>{above}{parts}{below}</div>"


def _said(found: RareFailures) -> Iterator[tuple[str, str, str]]:
    """Label, sentence and style on a terminal of what stands above the parts of the failing unit."""
    result = found.result
    scale = _PPM if result.high < _PPM_BELOW else PERCENT
    shown = numbers.with_interval(result.probability, result.low, result.high, scale=scale)
    level = numbers.percent(result.level)
    yield "Units that fail:", f"{shown} at {level}, calibration {found.option!r}", ""
    method = "plain draws" if result.method == "crude" else f"{result.method} sampling"
    how = (
        f"{method}, {numbers.count(result.evaluations)} units evaluated ({numbers.count(found.searched)} more to find "
        f"the unit below): {result.why}"
    )
    yield "Method:", how, ""
    if result.cross_check is not None:
        yield "Cross-check:", cross_check_in_words(result.cross_check), ""
    for warning in result.warnings:
        yield "Warning:", warning, "bold red"
    yield "Most probable failing unit:", _unit_in_words(found.unit), ""


def _unit_in_words(unit: FailingUnit | None) -> str:
    """Where the unit fails and how far it is from the median one."""
    if unit is None:
        return "none was found"
    away = f"{unit.distance:.1f} standard deviations from the median unit"
    return f"fails at {unit.fails_at}; {away if unit.distance else 'it is the median unit'}"


def _part_rows(unit: FailingUnit | None) -> tuple[list[tuple[str, ...]], str]:
    """What makes the unit fail, the furthest from the median first, and how much is left out ('' for nothing)."""
    if unit is None:
        return [], ""
    rows: list[tuple[str, ...]] = [
        (str(row["factor"]), str(row["where"]), str(row["value"]), f"{row['score']:+.1f}")
        for _, row in unit.parts.head(_SHOWN).iterrows()
    ]
    left = len(unit.parts) - len(rows)
    return rows, f"{left} more of less weight in failing_unit.csv" if left else ""


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


def write(found: RareFailures, folder: str | Path, *, replace: bool = False) -> Path:
    """Write `rare.json` and `failing_unit.csv`; FolderNotOurs as for a report."""
    subject = subject_of(found.case)
    require_writable(folder, subject, replace=replace)
    contents = {"failing_unit.csv": csv_text(_parts(found))}
    contents["rare.json"] = to_json(document(found, (*contents, "rare.json")))
    publish(folder, contents, subject, replace=replace)
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
