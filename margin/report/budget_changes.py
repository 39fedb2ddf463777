"""What can be changed, and interactions: evidence of the page of an error budget."""

from __future__ import annotations

from collections.abc import Sequence
from math import isnan

import pandas as pd

from margin.estimates import numbers
from margin.estimates.budget import NO_OUTPUT
from margin.estimates.budget_causes import LOOSER, TIGHTER
from margin.estimates.error_budget import ErrorBudget
from margin.estimates.number_columns import NONE, Entry, change_column, scale_of
from margin.estimates.shares import MARGIN, ErrorShares
from margin.report import budget_figures
from margin.report.blocks import Block, Section, Table
from margin.report.effects import rank_cell
from margin.report.summary import changed, entry_of
from margin.report.where import drawn_picture, effect_column

_CHANGES = ("frozen", "halved", "doubled", TIGHTER, LOOSER)


def changes_section(budget: ErrorBudget, option: str) -> Section:
    """Changes of error and yield with single causes frozen, halved, doubled, or in another grade."""
    blocks: list[Block] = [
        drawn_picture(
            "actions",
            budget_figures.action_bars(budget, option),
            "95 % of |error| with one spread frozen (open), halved or doubled; lines are intervals.",
            _actions_caption(budget),
        )
    ]
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
    rest = f" {silent} more below resolution, with numbers in actions.csv." if silent else ""
    heads = tuple(f"{change.capitalize()}: |error| ({scale.unit}); yield (points)" for change in changes)
    return Table(
        f"Change of the 95 % point of |error| and of the yield, by {by}.{rest}", ("Rank", by.capitalize(), *heads),
        rows, 2,
    )  # fmt: skip


def interactions(shares: ErrorShares, option: str) -> list[Block]:
    """Pairs with a resolved interaction, and Shapley effects, where they were asked for."""
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


def _actions(budget: ErrorBudget, option: str, by: str, change: str) -> pd.DataFrame:
    rows = budget.actions
    return rows[(rows["option"] == option) & (rows["by"] == by) & (rows["change"] == change)]


def _error_scale(rows: list[pd.Series | None]) -> numbers.Scale:
    """One unit for the changes of the error."""
    return scale_of([None if row is None else entry_of(row, "error_change_N") for row in rows], "N")


def _moved(rows: list[pd.Series | None], scale: numbers.Scale) -> list[str]:
    """Changes of the 95 % point of |error|, one column."""
    return error_changes([None if row is None else entry_of(row, "error_change_N") for row in rows], scale)


def error_changes(found: Sequence[Entry | None], scale: numbers.Scale) -> list[str]:
    """Changes of an error, one column."""
    cells = change_column(found, numbers.Scale(scale.factor, ""))
    return [
        NO_OUTPUT if own is not None and isnan(own.value) else changed(cell)
        for own, cell in zip(found, cells, strict=True)
    ]


def _gained(rows: list[pd.Series | None]) -> list[str]:
    """Changes of the yield in points, one column."""
    found = [None if row is None else entry_of(row, "yield_change") for row in rows]
    return [changed(cell) for cell in change_column(found, numbers.Scale(100.0, ""))]


def _actions_caption(budget: ErrorBudget) -> str:
    level = numbers.percent(budget.case.requirement.confidence)
    units = numbers.count(int(budget.actions["units"].max()))
    return f"Intervals at {level}; {units} units, seed {budget.case.study.seed}, margin {budget.version}."
