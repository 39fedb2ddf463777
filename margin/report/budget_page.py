"""The error budget on the terminal, as a page and as files."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

import pandas as pd

from margin.estimates import numbers
from margin.estimates.budget_findings import findings_of_budget
from margin.estimates.error_budget import ErrorBudget
from margin.estimates.finding import Finding
from margin.estimates.number_columns import Cell, scale_of
from margin.estimates.shares import ErrorShares
from margin.estimates.shares.result import CURED, ESTIMATORS, TOTAL_EFFECT
from margin.messages.requirement import requirement_in_words
from margin.messages.sentences import said
from margin.report import style
from margin.report.blocks import Block, Listing, Picture, Section, Table, Text, figure_files
from margin.report.budget_changes import changes_section, error_changes, interactions
from margin.report.document import effect_records, records, to_json, with_undetermined
from margin.report.effects import effect_blocks
from margin.report.finding_cells import entry
from margin.report.folder import csv_text, publish_made
from margin.report.layout import Column, listed, page_width, plain_text, table_lines, wrapped
from margin.report.manifest import subject_of
from margin.report.page import page
from margin.report.shown import listing, paragraph
from margin.report.shown import table as html_table
from margin.report.where import effect_cells, where_section

FORMAT, VERSION = "margin budget", 1
LEADING_CAUSE = "leading cause of the margin"


def schema_path() -> Path:
    """The JSON Schema of budget.json."""
    return Path(__file__).with_name("budget.schema.json")


def render(budget: ErrorBudget, option: str | None = None, width: int | None = None) -> str:
    """The leading causes of one option as plain text, by default as wide as the terminal."""
    width = width or page_width()
    name = budget.leading_option if option is None else option
    scale, leading = _leading_rows(budget, name)
    columns = tuple(Column(heading, side) for heading, side in _leading_columns(scale))
    rows = [(rank, group, total.lines, cured.lines, moved) for rank, group, total, cured, moved in leading]
    lines = wrapped("Budget of:", f"{budget.case.name}, calibration {name!r}", width)
    lines += table_lines(columns, rows, width)
    findings = findings_of_budget(budget, name)
    lines += [line for label, text in _notes(findings) for line in wrapped(label, text, width)]
    cautions = _said(findings, "caution")
    return plain_text(lines + listed(f"Cautions ({len(cautions)}):", cautions, width))


def notebook_html(budget: ErrorBudget, option: str | None = None) -> str:
    """The same as simple HTML for a notebook."""
    name = budget.leading_option if option is None else option
    scale, leading = _leading_rows(budget, name)
    columns = [heading.replace("\n", " ") for heading, _ in _leading_columns(scale)]
    rows = [(rank, group, total.text, cured.text, moved) for rank, group, total, cured, moved in leading]
    head = paragraph("Budget of:", f"{budget.case.name}, calibration {name!r}")
    findings = findings_of_budget(budget, name)
    cautions = [("Caution:", text) for text in _said(findings, "caution")]
    return f"<div>{head}{html_table(columns, rows)}{listing([*_notes(findings), *cautions])}</div>"


def _leading_columns(scale: numbers.Scale) -> tuple[tuple[str, Literal["left", "right"]], ...]:
    """Headings, over several lines on a terminal, and sides of the columns of the leading causes."""
    return (
        ("Rank", "right"), ("Cause", "left"), ("Total effect\non the margin", "right"),
        ("Failing units\ncured", "right"), (f"If halved, 95 % of\n|error| moves ({scale.unit})", "right"),
    )  # fmt: skip


def _leading_rows(
    budget: ErrorBudget, option: str
) -> tuple[numbers.Scale, list[tuple[str, str, Cell, Cell, str]]]:
    """Unit of the errors; rank, cause, total effect, failing units cured and what halving does, of the leading
    causes."""
    found = [each for each in findings_of_budget(budget, option) if each.kind == LEADING_CAUSE]
    causes = [each.to_dict() for each in found]
    values = [each["values"] for each in causes]
    halved = [None if each["halved"] is None else entry(each["halved"]) for each in values]
    scale = scale_of(halved, "N")
    moved = error_changes(halved, scale)
    totals = effect_cells([entry(each["total"]) for each in values])
    cured = effect_cells([entry(each["cured"]) for each in values])
    rows = [
        (
            f"{own['rank']}{'=' if own['tied'] else ''}", str(cause["subject"]), total, cure,
            "several together" if own["dependent"] and own["halved"] is None else change,
        )
        for cause, own, total, cure, change in zip(causes, values, totals, cured, moved, strict=True)
    ]  # fmt: skip
    return scale, rows


def _notes(findings: Sequence[Finding]) -> list[tuple[str, str]]:
    """Label and sentence of the notes below the causes, without the cautions."""
    groups = _said(findings, "dependent factors", "groups without effect", "undefined effects")
    notes = (
        ("Note:", (*_said(findings, "no leading cause", "changes do not add up"), TOTAL_EFFECT, CURED)),
        ("Runs:", _said(findings, "runs of a grouping")),
        ("Note:", groups),
    )
    return [(label, text) for label, texts in notes for text in texts]


def _said(findings: Sequence[Finding], *kinds: str) -> tuple[str, ...]:
    """Sentences of the findings of these kinds, in their order."""
    return tuple(said(each) for each in findings if each.kind in kinds)


def write(
    budget: ErrorBudget, folder: str | Path, option: str | None = None, *, replace: bool = False
) -> Path:
    """Write page, figures, JSON and CSV to `folder`; the path of the page. FolderNotOurs as for a report."""
    subject = subject_of(budget.shares.case)
    return publish_made(folder, subject, lambda: contents(budget, option), "budget.html", replace=replace)


def contents(budget: ErrorBudget, option: str | None = None) -> dict[str, str]:
    """Every file as text by name."""
    name = budget.leading_option if option is None else option
    with style.settings():
        parts = sections(budget, name)
    files = {
        "budget.html": page(
            f"Error budget: {budget.case.name}", _headline(budget, name), None, budget.version, parts
        ),
        "actions.csv": csv_text(budget.actions),
        "effects.csv": csv_text(budget.shares.effects),
        "effects_sums.csv": csv_text(budget.shares.sums),
        "scopes.csv": csv_text(budget.shares.scopes),
    }
    for label, frame in _optional(budget.shares):
        files[f"{label}.csv"] = csv_text(frame)
    files |= figure_files(parts)
    files["budget.json"] = to_json(document(budget, (*files, "budget.json"), name))
    return files


def _headline(budget: ErrorBudget, option: str) -> str:
    """The leading cause, for the head of the page."""
    first = findings_of_budget(budget, option)[0]
    return f"Leading cause: {first.subject}" if first.kind == LEADING_CAUSE else said(first)


def document(budget: ErrorBudget, files: tuple[str, ...] = (), option: str | None = None) -> dict[str, Any]:
    """The budget as plain data, findings for one option; what is not finite is null, its place in `undetermined`."""
    name = budget.leading_option if option is None else option
    shares = budget.shares
    plain = {
        "format": {"name": FORMAT, "version": VERSION},
        "files": list(files),
        "case": budget.case.name,
        "computed": {
            "seed": budget.case.study.seed,
            "version": budget.version,
            "confidence": budget.case.requirement.confidence,
        },
        "runs": [vars(run) for run in shares.runs],
        "dependent": list(shares.dependent),
        "inert": list(shares.inert),
        "actions": records(budget.actions),
        "effects": effect_records(shares.effects),
        "sums": records(shares.sums),
        "scopes": records(shares.scopes),
        **{
            label: effect_records(frame) if label == "over_temperature" else records(frame)
            for label, frame in _optional(shares)
        },
        "cautions": list(budget.cautions),
        "findings": [each.to_dict() for each in findings_of_budget(budget, name)],
    }
    return with_undetermined(plain)


def sections(budget: ErrorBudget, option: str) -> tuple[Section, ...]:
    """All sections of the page for one option: leading causes, then the evidence, folded."""
    shares, findings = budget.shares, findings_of_budget(budget, option)
    effects = effect_blocks(shares, option, budget.version)
    leading = next((block for block in effects if isinstance(block, Picture)), None)
    answers = _answers(findings)
    evidence = [
        Section(
            "Effects of causes on margin and failing units",
            tuple(block for block in effects if block is not leading),
            answer=answers["effects"],
        ),
        replace(changes_section(budget, option), answer=answers["changes"]),
        where_section(shares, option, budget.version),
    ]
    extra = tuple(interactions(shares, option))
    if extra:
        evidence.append(Section("Interactions and dependent factors", extra))
    evidence.append(_computation(findings))
    first = _summary(budget, option, findings, leading)
    return (first, *(replace(part, folded=True) for part in evidence))


def _answers(findings: Sequence[Finding]) -> dict[str, str]:
    """Answers in the headings of the folded sections: the leading cause, and the effect of halving its spread."""
    leading = [each for each in findings if each.kind == LEADING_CAUSE]
    changed = next((each for each in leading if each.values["halved"] is not None), None)
    moved = (
        "no single cause changed" if changed is None else f"{changed.subject} halved: {_moved_by(changed)}"
    )
    first = f"leading: {leading[0].subject}" if leading else "none resolved"
    return {"effects": first, "changes": moved}


def _moved_by(cause: Finding) -> str:
    moved = entry(cause.to_dict()["values"]["halved"])
    return f"95 % of |error| {numbers.change(moved.value, moved.low, moved.high, 'N')}"


def _summary(
    budget: ErrorBudget, option: str, findings: Sequence[Finding], leading: Picture | None
) -> Section:
    """Leading causes as a sentence, figure and table."""
    scale, rows = _leading_rows(budget, option)
    names = [heading.replace("\n", " ") for heading, _ in _leading_columns(scale)]
    causes = _said(findings, LEADING_CAUSE, "no leading cause")
    blocks: list[Block] = [Text(f"Calibration option: {option}."), Text(f"Leading: {causes[0]}.")]
    blocks += [] if leading is None else [leading]
    if rows:
        body = tuple((rank, cause, total.text, cure.text, moved) for rank, cause, total, cure, moved in rows)
        blocks.append(Table(f"Leading causes with {option!r}.", tuple(names), body, 2))
    blocks += [Text(text) for text in _said(findings, "changes do not add up", "undefined effects")]
    blocks += [Text(line) for line in requirement_in_words(budget.case)]
    return Section("Summary", tuple(blocks))


def _computation(findings: Sequence[Finding]) -> Section:
    """What was evaluated, by which estimators, and cautions."""
    effects = f"Effects: {ESTIMATORS[0].lower()}{ESTIMATORS[1:]}"
    changes = (
        "Changes: the same units drawn again on the same random numbers; intervals from the scatter between ten "
        "sections of them"
    )
    computed = _said(findings, "computed budget")
    blocks = (
        Listing("Runs", (*_said(findings, "runs of a grouping"), *computed)),
        Listing("Estimators", (effects, changes)),
        Listing("Cautions", _said(findings, "caution")),
    )
    return Section("Computation", blocks, answer=computed[0])


def _optional(shares: ErrorShares) -> list[tuple[str, pd.DataFrame]]:
    found = (
        ("over_temperature", shares.over_temperature), ("second_order", shares.second), ("shapley", shares.shapley),
    )  # fmt: skip
    return [(label, frame) for label, frame in found if frame is not None]
