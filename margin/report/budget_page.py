"""The error budget on the terminal, as a page and as files."""

from __future__ import annotations

from math import isnan
from pathlib import Path
from typing import Any, Literal

import pandas as pd

from margin.estimates import numbers
from margin.estimates.budget import NO_OUTPUT
from margin.estimates.budget_causes import LOOSER, TIGHTER
from margin.estimates.error_budget import ErrorBudget
from margin.estimates.number_columns import NONE, Cell, change_column, scale_of
from margin.estimates.shares import FAILING, MARGIN, ErrorShares
from margin.estimates.shares.result import CURED, ESTIMATORS, TOTAL_EFFECT
from margin.messages.requirement import requirement_in_words
from margin.report import budget_figures, style
from margin.report.blocks import Block, Listing, Section, Table, Text
from margin.report.document import effect_records, records, to_json, with_undetermined
from margin.report.effects import (
    dependent_lines,
    effect_blocks,
    inert_lines,
    rank_cell,
    rows_of,
    undefined,
)
from margin.report.folder import csv_text, publish, require_writable
from margin.report.layout import Column, listed, page_width, plain_text, table_lines, wrapped
from margin.report.manifest import subject_of
from margin.report.page import page
from margin.report.shown import listing, paragraph
from margin.report.shown import table as html_table
from margin.report.summary import changed, entry_of
from margin.report.where import drawn_picture, effect_column, where_section

FORMAT, VERSION = "margin budget", 1
NOT_ADDITIVE = (
    "Each line changes one cause alone, in use and at the calibration, on the same draws. Gains of several lines "
    "do not add up: what causes do together belongs to none of them alone."
)
_CHANGES = ("frozen", "halved", "doubled", TIGHTER, LOOSER)
_ON_TERMINAL = 8


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
    lines += [line for label, text in _notes(budget, name) for line in wrapped(label, text, width)]
    return plain_text(lines + listed(f"Cautions ({len(budget.cautions)}):", budget.cautions, width))


def notebook_html(budget: ErrorBudget, option: str | None = None) -> str:
    """The same as simple HTML for a notebook."""
    name = budget.leading_option if option is None else option
    scale, leading = _leading_rows(budget, name)
    columns = [heading.replace("\n", " ") for heading, _ in _leading_columns(scale)]
    rows = [(rank, group, total.text, cured.text, moved) for rank, group, total, cured, moved in leading]
    head = paragraph("Budget of:", f"{budget.case.name}, calibration {name!r}")
    cautions = [("Caution:", text) for text in budget.cautions]
    return f"<div>{head}{html_table(columns, rows)}{listing([*_notes(budget, name), *cautions])}</div>"


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
    margin = rows_of(budget.shares, option, MARGIN, "factor")
    leading = [row for _, row in margin[margin["verdict"] == "resolved"].head(_ON_TERMINAL).iterrows()]
    groups = [str(row["group"]) for row in leading]
    failing = {
        str(row["group"]): row for _, row in rows_of(budget.shares, option, FAILING, "factor").iterrows()
    }
    halved = {str(row["factor"]): row for _, row in _actions(budget, option, "factor", "halved").iterrows()}
    changed = [halved.get(group) for group in groups]
    scale = _error_scale(changed)
    moved = (
        "several together" if row is None and " + " in group else text
        for row, group, text in zip(changed, groups, _moved(changed, scale), strict=True)
    )
    totals = effect_column(leading, "total")
    cured = effect_column([failing[group] for group in groups], "cured")
    rows = [
        (rank_cell(row, margin), group, total, cure, text)
        for row, group, total, cure, text in zip(leading, groups, totals, cured, moved, strict=True)
    ]
    return scale, rows


def _notes(budget: ErrorBudget, name: str) -> list[tuple[str, str]]:
    """Label and sentence of what stands below the causes, cautions aside."""
    notes = (
        ("Note:", (NOT_ADDITIVE, TOTAL_EFFECT, CURED)),
        ("Runs:", tuple(run.told for run in budget.shares.runs)),
        (
            "Note:",
            (*dependent_lines(budget.shares), *inert_lines(budget.shares), *undefined(budget.shares, name)),
        ),
    )
    return [(label, text) for label, texts in notes for text in texts]


def write(
    budget: ErrorBudget, folder: str | Path, option: str | None = None, *, replace: bool = False
) -> Path:
    """Write page, figures, JSON and CSV to `folder`; the path of the page. FolderNotOurs as for a report."""
    subject = subject_of(budget.shares.case)
    require_writable(folder, subject, replace=replace)
    publish(folder, contents(budget, option), subject, replace=replace)
    return Path(folder) / "budget.html"


def contents(budget: ErrorBudget, option: str | None = None) -> dict[str, str]:
    """Every file as text by name."""
    name = budget.leading_option if option is None else option
    with style.settings():
        parts = sections(budget, name)
    files = {
        "budget.html": page(f"Error budget: {budget.case.name}", name, None, budget.version, parts),
        "actions.csv": csv_text(budget.actions),
        "effects.csv": csv_text(budget.shares.effects),
        "effects_sums.csv": csv_text(budget.shares.sums),
        "scopes.csv": csv_text(budget.shares.scopes),
    }
    for label, frame in _optional(budget.shares):
        files[f"{label}.csv"] = csv_text(frame)
    files |= {f"{shown.name}.svg": shown.svg for part in parts for shown in part.pictures}
    files["budget.json"] = to_json(document(budget, (*files, "budget.json")))
    return files


def document(budget: ErrorBudget, files: tuple[str, ...] = ()) -> dict[str, Any]:
    """The budget as plain data; what is not finite is null, its place in `undetermined`."""
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
    }
    return with_undetermined(plain)


def sections(budget: ErrorBudget, option: str) -> tuple[Section, ...]:
    """All sections of the page, for one option."""
    shares = budget.shares
    parts = [_leading(budget, option), _act(budget, option), where_section(shares, option, budget.version)]
    extra = tuple(_extra(shares, option))
    if extra:
        parts.append(Section("Interactions and dependent factors", extra))
    runs = tuple(run.told for run in shares.runs)
    parts.append(
        Section(
            "Computation",
            (
                Listing("Runs", (*runs, f"seed {budget.case.study.seed}; margin {budget.version}")),
                Listing(
                    "Estimators",
                    (
                        f"Effects: {ESTIMATORS[0].lower()}{ESTIMATORS[1:]}",
                        "Changes: the same units drawn again on the same random numbers; intervals from the scatter "
                        "between ten sections of them",
                    ),
                ),
                Listing("Cautions", budget.cautions),
            ),
        )
    )
    return tuple(parts)


def _leading(budget: ErrorBudget, option: str) -> Section:
    blocks: list[Block] = [Text(line) for line in requirement_in_words(budget.case)]
    blocks += effect_blocks(budget.shares, option, budget.version)
    return Section(f"Effects of causes on margin and failing units ({option})", tuple(blocks))


def _act(budget: ErrorBudget, option: str) -> Section:
    blocks: list[Block] = [Text(NOT_ADDITIVE)]
    blocks.append(
        drawn_picture(
            "actions",
            budget_figures.action_bars(budget, option),
            "95 % of |error| with one spread frozen (open), halved or doubled; lines are intervals.",
            _actions_caption(budget),
        )
    )
    for by in dict.fromkeys(budget.actions["by"]):
        blocks.append(_actions_table(budget, option, str(by)))
    return Section("What can be changed", tuple(blocks))


def _actions_table(budget: ErrorBudget, option: str, by: str) -> Table:
    of = budget.actions[(budget.actions["option"] == option) & (budget.actions["by"] == by)]
    resolved = of[of["verdict"] == "resolved"]["factor"].unique()
    by_rank = _actions(budget, option, by, "frozen").sort_values(["rank", "error_change_N"])
    changes = [change for change in _CHANGES if (of["change"] == change).any()]
    named = [row for _, row in by_rank[by_rank["factor"].isin(resolved)].iterrows()]
    scale = _error_scale([row for _, row in of.iterrows()])
    cells: list[tuple[str, ...]] = []
    for change in changes:
        own = {str(row["factor"]): row for _, row in of[of["change"] == change].iterrows()}
        found = [own.get(str(row["factor"])) for row in named]
        cells.append(
            tuple(
                NONE if row is None else f"{moved}; {gained}"
                for row, moved, gained in zip(found, _moved(found, scale), _gained(found), strict=True)
            )
        )
    rows = tuple(
        (rank_cell(row, by_rank), str(row["factor"]), *texts)
        for row, *texts in zip(named, *cells, strict=True)
    )
    silent = of["factor"].nunique() - len(resolved)
    told = f" {silent} more below resolution, with numbers in actions.csv." if silent else ""
    heads = tuple(f"{change.capitalize()}: |error| ({scale.unit}); yield (points)" for change in changes)
    return Table(
        f"Change of the 95 % point of |error| and of the yield, by {by}.{told}", ("Rank", by.capitalize(), *heads),
        rows, 2,
    )  # fmt: skip


def _extra(shares: ErrorShares, option: str) -> list[Block]:
    blocks: list[Block] = []
    if shares.second is not None:
        pairs = shares.second
        rows = pairs[
            (pairs["option"] == option) & (pairs["output"] == MARGIN) & (pairs["verdict"] == "resolved")
        ]
        leading = [row for _, row in rows.sort_values("second", ascending=False).head(20).iterrows()]
        body: tuple[tuple[str, ...], ...] = tuple(
            (str(row["group"]), str(row["other"]), cell.text)
            for row, cell in zip(leading, effect_column(leading, "second"), strict=True)
        )
        blocks.append(
            Table("Pairs of groups with a resolved interaction.", ("Group", "with", "Share"), body, 2)
        )
    if shares.shapley is not None:
        rows = shares.shapley
        rows = rows[(rows["option"] == option) & (rows["output"] == MARGIN)].sort_values(
            "effect", ascending=False
        )
        leading = [row for _, row in rows[rows["verdict"] == "resolved"].iterrows()]
        body = tuple(
            (str(row["group"]), cell.text)
            for row, cell in zip(leading, effect_column(leading, "effect"), strict=True)
        )
        blocks.append(
            Table(
                "Shapley effects: interactions and dependence are shared among the factors; they sum to 1.",
                ("Factor", "Effect"),
                body,
            )
        )
    return blocks


def _optional(shares: ErrorShares) -> list[tuple[str, pd.DataFrame]]:
    found = (
        ("over_temperature", shares.over_temperature), ("second_order", shares.second), ("shapley", shares.shapley),
    )  # fmt: skip
    return [(label, frame) for label, frame in found if frame is not None]


def _actions(budget: ErrorBudget, option: str, by: str, change: str) -> pd.DataFrame:
    rows = budget.actions
    return rows[(rows["option"] == option) & (rows["by"] == by) & (rows["change"] == change)]


def _error_scale(rows: list[pd.Series | None]) -> numbers.Scale:
    """One unit for the changes of the error."""
    return scale_of([None if row is None else entry_of(row, "error_change_N") for row in rows], "N")


def _moved(rows: list[pd.Series | None], scale: numbers.Scale) -> list[str]:
    """Changes of the 95 % point of |error|, one column."""
    found = [None if row is None else entry_of(row, "error_change_N") for row in rows]
    cells = change_column(found, numbers.Scale(scale.factor, ""))
    return [
        NO_OUTPUT if entry is not None and isnan(entry.value) else changed(cell)
        for entry, cell in zip(found, cells, strict=True)
    ]


def _gained(rows: list[pd.Series | None]) -> list[str]:
    """Changes of the yield in points, one column."""
    found = [None if row is None else entry_of(row, "yield_change") for row in rows]
    return [changed(cell) for cell in change_column(found, numbers.Scale(100.0, ""))]


def _actions_caption(budget: ErrorBudget) -> str:
    level = numbers.percent(budget.case.requirement.confidence)
    units = numbers.count(int(budget.actions["units"].max()))
    return f"Intervals at {level}; {units} units, seed {budget.case.study.seed}, margin {budget.version}."
