"""What the characterisation of a bench leaves on disk: page, figures, one JSON document and the tables as CSV."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from margin.estimates.bench_findings import Findings
from margin.estimates.bench_statements import statements_of
from margin.estimates.bench_tables import components_frame, fits_frame, merits_frame, missing_frame, models_of
from margin.estimates.next_measurement import NextMeasurement
from margin.messages.sentences import said
from margin.report import bench_page
from margin.report.bench_page import DIFFERENCE, NO_DIFFERENCE, of_kinds
from margin.report.blocks import figure_files
from margin.report.document import to_json
from margin.report.folder import csv_text, publish_made
from margin.report.manifest import subject_of_bench
from margin.version import version

FORMAT = "margin bench"
VERSION = 1


def schema_path() -> Path:
    """The JSON Schema of bench.json."""
    return Path(__file__).with_name("bench.schema.json")


def write_bench(
    findings: Findings, outlook: NextMeasurement | None, folder: str | Path, *, replace: bool = False
) -> Path:
    """Write the report to `folder` and return the path of its page.

    FolderNotOurs (a ValueError) if the folder holds anything but an earlier report of these data, or of others
    unless `replace`. All files are written or none.
    """
    subject = subject_of_bench(findings.data.source)
    return publish_made(
        folder, subject, lambda: bench_contents(findings, outlook), "bench.html", replace=replace
    )


def bench_contents(findings: Findings, outlook: NextMeasurement | None) -> dict[str, str]:
    """Every file of a report as text by name."""
    sections = bench_page.bench_sections(findings, outlook)
    tables = _tables(findings, outlook)
    contents = {"bench.html": bench_page.render(findings, outlook, sections)}
    contents |= {f"{name}.csv": csv_text(table) for name, table in tables.items() if len(table)}
    contents |= figure_files(sections)
    contents["bench.json"] = to_json(to_document(findings, outlook, (*contents, "bench.json")))
    return contents


def to_document(
    findings: Findings, outlook: NextMeasurement | None, files: tuple[str, ...] = ()
) -> dict[str, Any]:
    """The characterisation as plain data. A number that is not available is null; a note or `missing` says why."""
    found = statements_of(findings, outlook)
    tables = {name: _plain(table.to_dict("records")) for name, table in _tables(findings, outlook).items()}
    return {
        "format": {"name": FORMAT, "version": VERSION},
        "files": list(files),
        "data": {
            "source": findings.data.source, "readings": found[0].values["readings"],
            "quantity": findings.data.quantity, "unit": findings.data.unit, "notes": list(findings.notes),
        },
        "kind": findings.kind,
        "confidence": findings.confidence,
        "version": version(),
        "setups": [
            {"circuit": s.circuit, "interface": s.interface, **dataclasses.asdict(s.size)} for s in findings.setups
        ],
        **tables,
        "statements": {
            by: [said(each) for each in of_kinds(found, DIFFERENCE, NO_DIFFERENCE) if each.values["by"] == by]
            for by in findings.comparisons
        },
        "findings": [_plain(each.to_dict()) for each in found],
        "next": None if outlook is None else {
            "decides": outlook.decides, "sentence": f"{said(outlook.advice)}.", "units": outlook.units,
            "seed": outlook.seed,
        },
    }  # fmt: skip


def _tables(findings: Findings, outlook: NextMeasurement | None) -> dict[str, pd.DataFrame]:
    """The tables of a report by name, one row an observation."""
    models = [models_of(s).assign(circuit=s.circuit, interface=s.interface) for s in findings.setups]
    found = [c.differences.assign(by=by) for by, c in findings.comparisons.items()]
    return {
        "merits": merits_frame(findings.merits),
        "fits": fits_frame(findings.setups),
        "models": pd.concat(models, ignore_index=True),
        "components": components_frame(findings.setups),
        "differences": pd.concat(found, ignore_index=True) if found else pd.DataFrame(),
        "missing": missing_frame(findings.missing),
        "outlook": pd.DataFrame() if outlook is None else outlook.table,
    }


def _plain(value: Any) -> Any:
    """Plain Python types; null for what is not a finite number."""
    if isinstance(value, dict):
        return {str(key): _plain(part) for key, part in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(part) for part in value]
    if isinstance(value, np.generic):
        value = value.item()
    return None if isinstance(value, float) and not math.isfinite(value) else value
