"""Rare failures on the terminal and as files."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from margin.estimates.rare_failures import RareFailures
from margin.report import numbers
from margin.report.document import finite, records, to_json
from margin.report.folder import publish, require_writable
from margin.report.terminal import WIDTH, Column, table_lines, wrapped

FORMAT, VERSION = "margin rare failures", 1
_SHOWN = 10
_COLUMNS = (
    Column("Factor", 40, "left"),
    Column("Drawn", 14, "left"),
    Column("Value", 16, "left"),
    Column("Score", 7),
)
NOT_SEPARATE = (
    "What few units leave unknown, and the station, are drawn afresh for every unit here: the probability is that of a "
    "unit of unknown origin, not a bound."
)


def render(found: RareFailures) -> str:
    """Probability, interval and the most likely failing unit, 80 columns."""
    result = found.result
    ppm = 1e6 * result.probability
    shown = numbers.with_interval(ppm, 1e6 * result.low, 1e6 * result.high, "ppm")
    level = numbers.percent(result.level)
    lines = wrapped("Units that fail:", f"{shown} at {level}, calibration {found.option!r}", WIDTH, 2)
    how = f"{result.method} sampling, {numbers.count(result.evaluations)} units evaluated: {result.why}"
    lines += wrapped("How:", how, WIDTH, 3)
    for warning in result.warnings:
        lines += wrapped("Warning:", warning, WIDTH, 3, "bold red")
    if found.unit.empty:
        lines += wrapped("Most likely failing unit:", "none was seen", WIDTH, 1)
    else:
        where = f"fails at {found.fails_at}, {found.distance:.2g} standard deviations from the nominal one"
        lines += wrapped("Most likely failing unit:", where, WIDTH, 2)
        rows = (
            (str(row["factor"]), str(row["event"]) or "once", str(row["value"]), f"{row['score']:+.1f}")
            for _, row in found.unit.head(_SHOWN).iterrows()
        )
        lines += table_lines(_COLUMNS, rows)
    lines += wrapped("Note:", NOT_SEPARATE, WIDTH, 3)
    return "\n".join(line.plain.rstrip() for line in lines) + "\n"


def write(found: RareFailures, folder: str | Path) -> Path:
    """Write `rare.json` and `failing_unit.csv`; FolderNotOurs as for a report."""
    require_writable(folder)
    contents = {"failing_unit.csv": found.unit.to_csv(index=False, lineterminator="\n")}
    contents["rare.json"] = to_json(document(found, (*contents, "rare.json")))
    publish(folder, contents)
    return Path(folder) / "rare.json"


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
        "fails_at": found.fails_at,
        "distance": found.distance,
        "unit": records(found.unit),
        "computed": {"seed": found.case.study.seed, "version": found.version},
        "note": NOT_SEPARATE,
    }
    undetermined: list[dict[str, str]] = []
    document: dict[str, Any] = finite(plain, "", undetermined)
    document["undetermined"] = undetermined
    return document
