"""Rare failures on the terminal and as files."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pandas as pd

from margin.estimates import numbers
from margin.estimates.failing_unit import COLUMNS, FailingUnit
from margin.estimates.rare import CrossCheck
from margin.estimates.rare_failures import RareFailures
from margin.report.document import records, to_json, with_undetermined
from margin.report.folder import csv_text, publish, require_writable
from margin.report.manifest import subject_of
from margin.report.shown import listing
from margin.report.terminal import WIDTH, wrapped

FORMAT, VERSION = "margin rare failures", 1
_SHOWN = 10
NOT_SEPARATE = (
    "What few units leave unknown, and the station, are drawn afresh for every unit here: the probability is that of a "
    "unit of unknown origin, not a bound."
)


def render(found: RareFailures) -> str:
    """Probability, interval and the most likely failing unit, 80 columns."""
    lines = [
        line for label, text, most, look in _said(found) for line in wrapped(label, text, WIDTH, most, look)
    ]
    return "\n".join(line.plain.rstrip() for line in lines) + "\n"


def notebook_html(found: RareFailures) -> str:
    """The same as simple HTML for a notebook."""
    return f"<div>{listing((label.strip(), text) for label, text, *_ in _said(found))}</div>"


def _said(found: RareFailures) -> Iterator[tuple[str, str, int, str]]:
    """Label, sentence, most lines on a terminal and style of everything that is shown."""
    result = found.result
    ppm = 1e6 * result.probability
    shown = numbers.with_interval(ppm, 1e6 * result.low, 1e6 * result.high, "ppm")
    level = numbers.percent(result.level)
    yield "Units that fail:", f"{shown} at {level}, calibration {found.option!r}", 2, ""
    method = "plain draws" if result.method == "crude" else f"{result.method} sampling"
    how = (
        f"{method}, {numbers.count(result.evaluations)} units evaluated ({numbers.count(found.searched)} more to find "
        f"the unit below): {result.why}"
    )
    yield "How:", how, 3, ""
    if result.cross_check is not None:
        yield "Cross-check:", cross_check_in_words(result.cross_check), 3, ""
    for warning in result.warnings:
        yield "Warning:", warning, 3, "bold red"
    if found.unit is None:
        yield "Most likely failing unit:", "none was seen", 1, ""
    else:
        away = f"{found.unit.distance:.2g} standard deviations from the median unit"
        where = f"fails at {found.unit.fails_at}; {away if found.unit.distance else 'it is the median unit'}"
        yield "Most likely failing unit:", where, 3, ""
        for _, part in found.unit.parts.head(_SHOWN).iterrows():
            name = ", ".join(word for word in (str(part["factor"]), str(part["where"])) if word)
            yield f" {name}:", f"{part['value']} ({part['score']:+.1f} sigma)", 2, ""
        left = len(found.unit.parts) - _SHOWN
        if left > 0:
            yield " and", f"{left} more that matter less", 1, ""
    yield "Note:", NOT_SEPARATE, 3, ""


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
