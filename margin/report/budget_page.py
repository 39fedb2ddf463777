"""The error budget on the terminal, as a page and as files."""

from __future__ import annotations

import textwrap
from math import isnan
from pathlib import Path
from typing import Any

import pandas as pd

from margin.estimates import numbers
from margin.estimates.budget import NO_NUMBER
from margin.estimates.budget_causes import LOOSER, TIGHTER
from margin.estimates.error_budget import ErrorBudget
from margin.estimates.shares import FAILING, MARGIN, ErrorShares
from margin.estimates.shares.result import CURED, ESTIMATORS, TOTAL_EFFECT
from margin.report import budget_figures, style
from margin.report.blocks import Block, Listing, Section, Table, Text
from margin.report.document import effect_records, records, to_json, with_undetermined
from margin.report.effects import (
    dependent_lines,
    effect_blocks,
    inert_lines,
    rank_cell,
    rows_of,
    two_lines,
    undefined,
)
from margin.report.folder import csv_text, publish, require_writable
from margin.report.manifest import subject_of
from margin.report.page import page
from margin.report.requirement_words import requirement_in_words
from margin.report.shown import listing, paragraph
from margin.report.shown import table as html_table
from margin.report.terminal import WIDTH, Column, table_lines, wrapped
from margin.report.where import drawn_picture, share_cell, where_section

FORMAT, VERSION = "margin budget", 1
NOT_ADDITIVE = (
    "Each line changes one cause alone, in use and at the calibration, on the same draws. Gains of several lines "
    "do not add up: what causes do together belongs to none of them alone."
)
_CHANGES = ("frozen", "halved", "doubled", TIGHTER, LOOSER)
_ON_TERMINAL = 8
_CAUSE = 23


def schema_path() -> Path:
    """The JSON Schema of budget.json."""
    return Path(__file__).with_name("budget.schema.json")


def render(budget: ErrorBudget, option: str | None = None) -> str:
    """The leading causes of one option as plain text, 80 columns."""
    name = budget.leading_option if option is None else option
    lines = wrapped("Budget of:", f"{budget.case.name}, calibration {name!r}", WIDTH, 2)
    columns = (
        Column("", 3), Column("Cause", _CAUSE, "left"), Column("Total effect\non the margin", 16),
        Column("Failing units\ncured", 16), Column("If halved, 95 % of\n|error| moves (N)", 18),
    )  # fmt: skip
    body = [
        (rank, "\n".join(textwrap.wrap(group, _CAUSE, max_lines=3, placeholder=" …")), total, cured,
         moved.replace(" (", "\n("))
        for rank, group, total, cured, moved in _leading_rows(budget, name)
    ]  # fmt: skip
    lines += table_lines(columns, body)
    for label, text, most in _notes(budget, name):
        lines += wrapped(label, text, WIDTH, most)
    return "\n".join(line.plain.rstrip() for line in lines) + "\n"


def notebook_html(budget: ErrorBudget, option: str | None = None) -> str:
    """The same as simple HTML for a notebook."""
    name = budget.leading_option if option is None else option
    columns = (
        "Rank", "Cause", "Total effect on the margin", "Failing units cured", "If halved, 95 % of |error| moves (N)",
    )  # fmt: skip
    rows = [[cell.replace("\n", " ") for cell in row] for row in _leading_rows(budget, name)]
    head = paragraph("Budget of:", f"{budget.case.name}, calibration {name!r}")
    notes = listing((label, text) for label, text, _ in _notes(budget, name))
    return f"<div>{head}{html_table(columns, rows)}{notes}</div>"


def _leading_rows(budget: ErrorBudget, name: str) -> list[tuple[str, str, str, str, str]]:
    """Rank, cause, total effect, failing units cured and what halving does, of the leading causes."""
    margin = rows_of(budget.shares, name, MARGIN, "factor")
    failing = {
        str(row["group"]): row for _, row in rows_of(budget.shares, name, FAILING, "factor").iterrows()
    }
    halved = {str(row["factor"]): row for _, row in _actions(budget, name, "factor", "halved").iterrows()}
    found = []
    for _, row in margin[margin["verdict"] == "resolved"].head(_ON_TERMINAL).iterrows():
        group = str(row["group"])
        moved = _moved(halved[group]) if group in halved else "several together" if " + " in group else "–"
        cells = (two_lines(row, "total"), two_lines(failing[group], "cured"), moved)
        found.append((rank_cell(row, margin), group, *cells))
    return found


def _notes(budget: ErrorBudget, name: str) -> list[tuple[str, str, int]]:
    """Label, sentence and most lines on a terminal of what stands below the causes."""
    texts = (
        TOTAL_EFFECT,
        CURED,
        *(run.told for run in budget.shares.runs),
        *dependent_lines(budget.shares),
        *inert_lines(budget.shares),
        *undefined(budget.shares, name),
    )
    return [
        ("Note:", NOT_ADDITIVE, 3),
        *(("Runs:" if ": " in text and text.startswith("by ") else "Note:", text, 3) for text in texts),
        (f"Cautions ({len(budget.cautions)}):", " | ".join(budget.cautions), 1),
    ]


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
            "How it was computed",
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
    rows: list[tuple[str, ...]] = []
    for _, first in by_rank[by_rank["factor"].isin(resolved)].iterrows():
        own = of[of["factor"] == first["factor"]].set_index("change")
        cells = []
        for change in changes:
            row = own.loc[change] if change in own.index else None
            cells.append("–" if row is None else f"{_moved(row)}; {_gained(row)}")
        rows.append((rank_cell(first, by_rank), str(first["factor"]), *cells))
    silent = of["factor"].nunique() - len(resolved)
    told = f" {silent} more below resolution, with numbers in actions.csv." if silent else ""
    heads = tuple(f"{change.capitalize()}: |error| (N); yield (points)" for change in changes)
    return Table(
        f"Change of the 95 % point of |error| and of the yield, by {by}.{told}", ("Rank", by.capitalize(), *heads),
        tuple(rows), 2,
    )  # fmt: skip


def _extra(shares: ErrorShares, option: str) -> list[Block]:
    blocks: list[Block] = []
    if shares.second is not None:
        pairs = shares.second
        rows = pairs[
            (pairs["option"] == option) & (pairs["output"] == MARGIN) & (pairs["verdict"] == "resolved")
        ]
        body: tuple[tuple[str, ...], ...] = tuple(
            (str(row["group"]), str(row["other"]), share_cell(row, "second"))
            for _, row in rows.sort_values("second", ascending=False).head(20).iterrows()
        )
        blocks.append(
            Table("Pairs of groups with a resolved interaction.", ("Group", "with", "Share"), body, 2)
        )
    if shares.shapley is not None:
        rows = shares.shapley
        rows = rows[(rows["option"] == option) & (rows["output"] == MARGIN)].sort_values(
            "effect", ascending=False
        )
        body = tuple(
            (str(row["group"]), share_cell(row, "effect"))
            for _, row in rows[rows["verdict"] == "resolved"].iterrows()
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


def _moved(row: pd.Series) -> str:
    value, low, high = (float(row[f"error_change_N{end}"]) for end in ("", "_low", "_high"))
    if isnan(value):
        return NO_NUMBER.split(":")[0]
    return numbers.change(value, low, high).split(" (within")[0]


def _gained(row: pd.Series) -> str:
    value, low, high = (float(row[f"yield_change{end}"]) for end in ("", "_low", "_high"))
    return numbers.share_change(value, low, high, unit="").split(" (within")[0]


def _actions_caption(budget: ErrorBudget) -> str:
    level = numbers.percent(budget.case.requirement.confidence)
    units = numbers.count(int(budget.actions["units"].max()))
    return f"Intervals at {level}; {units} units, seed {budget.case.study.seed}, margin {budget.version}."
