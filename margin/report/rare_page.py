"""Rare failures on the terminal, as a page and as files."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from margin.estimates import numbers
from margin.estimates.failing_unit import COLUMNS, FailingUnit
from margin.estimates.finding import Finding
from margin.estimates.rare_failures import RareFailures
from margin.estimates.rare_findings import findings_of_rare
from margin.messages.rare_sentences import METHODS, one_in, permitted, probability_shown, score_shown
from margin.messages.requirement import requirement_in_words
from margin.messages.sentences import said, sentence
from margin.report import rare_figures, style
from margin.report.blocks import Block, Listing, Section, Table, Text, figure_files
from margin.report.document import records, to_json, with_undetermined
from margin.report.folder import csv_text, publish_made
from margin.report.layout import Column, page_width, plain_text, table_lines, wrapped
from margin.report.manifest import subject_of
from margin.report.page import page
from margin.report.shown import listing
from margin.report.shown import table as html_table
from margin.report.where import drawn_picture

FORMAT, VERSION = "margin rare failures", 1
_SHOWN = 10
_PARTS = (
    Column("Factor", "left"),
    Column("Where", "left"),
    Column("Value", "left"),
    Column("Standard deviations\nfrom the median"),
)
_LABELS = {
    "failure probability": ("Units that fail:", ""),
    "method of a probability": ("Method:", ""),
    "cross-check of a probability": ("Cross-check:", ""),
    "warning": ("Warning:", "bold red"),
    "most probable failing unit": ("Most probable failing unit:", ""),
    "no failing unit": ("Most probable failing unit:", ""),
}
"""Label of each finding above the factors of the failing unit, and its style on a terminal."""


def render(found: RareFailures, width: int | None = None) -> str:
    """Probability, interval and the most probable failing unit, by default as wide as the terminal."""
    width = width or page_width()
    findings = findings_of_rare(found)
    lines = [line for label, text, look in _above(findings) for line in wrapped(label, text, width, look)]
    rows, rest = _part_rows(findings)
    lines += table_lines(_PARTS, rows, width) if rows else []
    lines += wrapped("and", rest, width, "none") if rest else []
    return plain_text(lines + [line for text in _notes(findings) for line in wrapped("Note:", text, width)])


def notebook_html(found: RareFailures) -> str:
    """The same as simple HTML for a notebook."""
    findings = findings_of_rare(found)
    rows, rest = _part_rows(findings)
    columns = [column.heading.replace("\n", " ") for column in _PARTS]
    parts = html_table(columns, rows) if rows else ""
    above = listing((label, text) for label, text, _ in _above(findings))
    notes = [("Note:", text) for text in _notes(findings)]
    below = listing([*([("and", rest)] if rest else []), *notes])
    return f"<div>{above}{parts}{below}</div>"


def _above(findings: Sequence[Finding]) -> Iterator[tuple[str, str, str]]:
    """Label, sentence and style on a terminal of the findings above the factors of the failing unit."""
    for each in findings:
        if each.kind in _LABELS:
            label, look = _LABELS[each.kind]
            yield label, said(each), look


def _notes(findings: Sequence[Finding]) -> list[str]:
    return [said(each) for each in _of(findings, "epistemic uncertainty drawn for every unit")]


def _of(findings: Sequence[Finding], kind: str) -> list[Finding]:
    return [each for each in findings if each.kind == kind]


def _factor_rows(findings: Sequence[Finding]) -> list[tuple[str, ...]]:
    """What makes the unit fail, the furthest from the median first."""
    return [
        (each.subject, str(each.values["where"]), str(each.values["value"]), score_shown(plain["values"]))
        for each in _of(findings, "factor of the failing unit")
        for plain in (each.to_dict(),)
    ]


def _part_rows(findings: Sequence[Finding]) -> tuple[list[tuple[str, ...]], str]:
    """The leading factors, and how many are left out ('' for none)."""
    rows = _factor_rows(findings)
    left = len(rows) - _SHOWN
    return rows[:_SHOWN], f"{left} more of less weight in failing_unit.csv" if left > 0 else ""


def page_of(found: RareFailures, sections: tuple[Section, ...]) -> str:
    """The page of sections already made."""
    values = findings_of_rare(found)[0].to_dict()["values"]
    title = f"Rare failures: {found.case.name}"
    return page(title, f"{probability_shown(values)} of units fail", None, found.version, sections)


def sections_of(found: RareFailures, command: str | None = None) -> tuple[Section, ...]:
    """All sections: the answer, then what makes the unit fail, how the probability was found, how to run it again."""
    findings = findings_of_rare(found)
    with style.settings():
        first = _summary(found, findings)
    return first, _factors(findings), _methods(found, findings), _again(found, findings, command)


def _summary(found: RareFailures, findings: Sequence[Finding]) -> Section:
    """Probability, what may fail, warnings, and the most probable failing unit."""
    probability = findings[0]
    values = probability.to_dict()["values"]
    many = one_in(values)
    blocks: list[Block] = [Text(f"Units that fail: {said(probability)}{f'; {many}' if many else ''}.")]
    blocks += [Text(said(each), warning=True) for each in _of(findings, "warning")]
    unit = next(e for e in findings if e.kind in ("most probable failing unit", "no failing unit"))
    blocks.append(Text(f"Most probable failing unit: {said(unit)}."))
    if found.unit is not None and len(found.unit.parts):
        blocks.append(
            drawn_picture(
                "failing-unit",
                rare_figures.failing_unit_by_factor(found.unit),
                "Most probable failing unit: deviation of its factors from the median, the furthest on top, with the "
                "value at the right.",
                f"Calibration {found.option!r}; {said(findings[-1])}.",
            )
        )
    blocks += [Text(text) for text in _notes(findings)]
    blocks += [Text(line) for line in (*requirement_in_words(found.case), permitted(values))]
    return Section("Summary", tuple(blocks))


def _factors(findings: Sequence[Finding]) -> Section:
    """What makes the unit fail, in full."""
    heading = "Factors of the failing unit"
    rows = _factor_rows(findings)
    if not rows:
        return Section(heading, (Text("No factor deviates from its median."),), folded=True, answer="none")
    columns = tuple(column.heading.replace("\n", " ") for column in _PARTS)
    table = Table("Factors of the most probable failing unit.", columns, tuple(rows), 3)
    return Section(heading, (table,), folded=True, answer=f"leading: {rows[0][0]}, {rows[0][3]} sd")


def _methods(found: RareFailures, findings: Sequence[Finding]) -> Section:
    """How the probability was estimated and checked, with the effort of each step."""
    result, check = found.result, found.result.cross_check
    reached = result.coefficient_of_variation
    effort = [
        (f"Probability: {METHODS[result.method]}", numbers.count(result.evaluations)),
        *(() if check is None else (("Cross-check: subset sampling", numbers.count(check.evaluations)),)),
        ("Search for the failing unit", numbers.count(found.searched)),
    ]
    precision = (
        ("Coefficient of variation", numbers.plain(reached, digits=2), f"{found.target_cv:g}"),
        ("Independent failing draws, equivalent", numbers.plain(result.effective_samples, digits=3), "–"),
    )
    blocks: list[Block] = [
        Text(f"Method: {said(_of(findings, 'method of a probability')[0])}."),
        Table("Units evaluated.", ("Step", "Units"), tuple(effort)),
        Table("Precision of the probability.", ("Quantity", "Reached", "Wanted"), precision),
    ]
    if result.design_points:
        rows = tuple(
            (str(place), f"{point.beta:.2f}", "yes" if point.converged else "no")
            for place, point in enumerate(result.design_points, 1)
        )
        caption = "Design points, by distance from the median unit (reliability index)."
        blocks.append(Table(caption, ("Number", "Standard deviations", "Search converged"), rows))
    for each in _of(findings, "cross-check of a probability"):
        blocks.append(Text(f"Cross-check: {said(each)}."))
    answer = f"{METHODS[result.method]}, {numbers.count(result.evaluations)} units"
    return Section("Method and cross-check", tuple(blocks), folded=True, answer=answer)


def _again(found: RareFailures, findings: Sequence[Finding], command: str | None) -> Section:
    """Command, seed and version."""
    lines = (command or call_of(found), *map(said, _of(findings, "computed rare failures")))
    return Section(
        "Reproduction", (Listing("Run again", lines),), folded=True, answer=f"seed {found.case.study.seed}"
    )


def call_of(found: RareFailures) -> str:
    """The call that gives the same numbers again, where no command line did."""
    file = "case" if found.case.path is None else repr(str(found.case.path))
    file = f"margin.change({file}, {dict(found.case.changed)!r})" if found.case.changed else file
    return f"margin.rare({file}, {found.option!r}, target_cv={found.target_cv:g}, budget={found.budget})"


def write(
    found: RareFailures, folder: str | Path, *, replace: bool = False, command: str | None = None
) -> Path:
    """Write page, figure, `rare.json` and `failing_unit.csv`; the path of the page. FolderNotOurs as for a report.

    command  that gives the same again; None: the call in Python
    """
    return publish_made(
        folder, subject_of(found.case), lambda: contents(found, command), "rare.html", replace=replace
    )


def contents(found: RareFailures, command: str | None = None) -> dict[str, str]:
    """Every file as text by name."""
    sections = sections_of(found, command)
    files = {"rare.html": page_of(found, sections), "failing_unit.csv": csv_text(_parts(found))}
    files |= figure_files(sections)
    files["rare.json"] = to_json(document(found, (*files, "rare.json")))
    return files


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
    findings = [each.to_dict() for each in findings_of_rare(found)]
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
        "findings": findings,
        "note": sentence(findings[-2]),
    }
    return with_undetermined(plain)
