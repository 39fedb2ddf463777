"""What a report leaves on disk: the page, the figures, one JSON document and the tables as CSV."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from margin.design.overturning import Overturning
from margin.estimates.comparison_result import Comparison
from margin.estimates.error_map import ErrorMap
from margin.estimates.results import Results
from margin.report import comparison_page, overturn_page, page
from margin.report.blocks import figure_files
from margin.report.document import UnreadableResults, load_results_json, to_document, to_json
from margin.report.folder import FolderNotOurs, csv_text, publish, require_writable, write_text
from margin.report.frames import (
    all_yields_frame,
    convergence_frame,
    errors_frame,
    extremes_frame,
    limit_curve_frame,
    worst_case_frame,
    yields_frame,
)
from margin.report.manifest import subject_of, subject_of_pair
from margin.report.words_shown import words_shown

__all__ = [
    "FolderNotOurs",
    "UnreadableResults",
    "errors_frame",
    "load_results_json",
    "require_writable",
    "schema_path",
    "write_comparison",
    "write_report",
    "write_text",
    "yields_frame",
]


def schema_path() -> Path:
    """The JSON Schema of results.json."""
    return Path(__file__).with_name("results.schema.json")


def write_report(
    results: Results,
    folder: str | Path,
    *,
    replace: bool = False,
    payload: Mapping[str, Any] | None = None,
    error_map: ErrorMap | None = None,
    command: str | None = None,
    overturning: Overturning | None = None,
) -> Path:
    """Write the report to `folder` and return the path of its page.

    payload    of `margin.estimates.what_if.what_if_payload`, for the section 'What if'
    error_map  of the option in focus, for the section that shows it; None: none is shown
    command    that made the study, for 'How to reproduce'; None: 'margin estimate FILE'
    overturning  what would overturn the decision, for the first page and a section of its own

    FolderNotOurs (a ValueError) if the folder holds anything but an earlier report of this case, or of another one
    unless `replace`. All files are written or none.
    """
    subject = subject_of(results.case)
    require_writable(folder, subject, replace=replace)
    publish(
        folder,
        report_contents(results, payload, error_map=error_map, command=command, overturning=overturning),
        subject,
        replace=replace,
    )
    return Path(folder) / "report.html"


def write_comparison(comparison: Comparison, folder: str | Path, *, replace: bool = False) -> Path:
    """Write both reports (`first/`, `second/`) and the differences; the path of the page that compares.

    FolderNotOurs (a ValueError) as for a report.
    """
    subject = subject_of_pair(comparison.first.case, comparison.second.case)
    require_writable(folder, subject, replace=replace)
    contents = {
        f"{place}/{name}": text
        for place, results in (("first", comparison.first), ("second", comparison.second))
        for name, text in report_contents(results).items()
    }
    sections = comparison_page.sections_of(comparison)
    contents["comparison.html"] = comparison_page.page_of(comparison, sections)
    contents["differences.csv"] = csv_text(comparison.differences)
    contents["checks.csv"] = csv_text(comparison.checks)
    contents |= figure_files(sections)
    contents["comparison.json"] = to_json(
        comparison_page.document(comparison, (*contents, "comparison.json"))
    )
    publish(folder, contents, subject, replace=replace)
    return Path(folder) / "comparison.html"


def report_contents(
    results: Results,
    payload: Mapping[str, Any] | None = None,
    *,
    error_map: ErrorMap | None = None,
    command: str | None = None,
    overturning: Overturning | None = None,
) -> dict[str, str]:
    """Every file of a report as text by name."""
    made = page.report_sections(results, payload, error_map=error_map, command=command)
    parts = overturn_page.with_section(made, overturning)
    contents = {
        "report.html": page.render_sections(results, parts),
        "yields.csv": csv_text(all_yields_frame(results)),
        "errors.csv": csv_text(errors_frame(results)),
        "budget.csv": csv_text(results.budget),
        "limit_curve.csv": csv_text(limit_curve_frame(results)),
        "worst_case.csv": csv_text(worst_case_frame(results)),
        "extremes.csv": csv_text(extremes_frame(results)),
        "convergence.csv": csv_text(convergence_frame(results)),
    }
    if results.shares is not None:
        contents |= {
            "effects.csv": csv_text(results.shares.effects),
            "scopes.csv": csv_text(results.shares.scopes),
        }
    if overturning is not None:
        contents |= overturn_page.data_files(overturning)
    contents |= figure_files(parts)
    shown = words_shown(contents["report.html"])
    contents["results.json"] = to_json(to_document(results, (*contents, "results.json"), shown))
    return contents
