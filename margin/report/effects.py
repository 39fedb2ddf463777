"""Which causes set the conformity margin and make units fail: tables and figures that report and budget share."""

from __future__ import annotations

import pandas as pd

from margin.estimates.budget_findings import of_groups, undefined_effects
from margin.estimates.shares import FAILING, MARGIN, ErrorShares
from margin.estimates.shares.result import CURED, MAIN_EFFECT, TOTAL_EFFECT
from margin.messages.sentences import said
from margin.report import budget_figures
from margin.report.blocks import Block, Picture, Table, Text
from margin.report.where import drawn_picture, effect_column, shares_caption

_OUTPUTS = (
    (MARGIN, "Conformity margin"),
    (FAILING, "Failing units"),
)


def effect_blocks(
    shares: ErrorShares, option: str, version: str, *, explained: bool = True, drawn: bool = True
) -> list[Block]:
    """What the effects are of, what has none, figures, and a table for each grouping and output.

    explained, drawn  whether the explanations, which all options share, and the figures are among them
    """
    grouping = str(shares.effects["by"].iloc[0])
    blocks: list[Block] = [Text(text) for text in in_words(shares)] if explained else []
    blocks += [Text(text) for text in group_lines(shares, option)]
    if drawn:
        blocks += _pictures(shares, option, version, grouping)
    for by in dict.fromkeys(shares.effects["by"]):
        blocks += [_table(shares, option, output, heading, str(by)) for output, heading in _OUTPUTS]
    return blocks


def leading_effect(shares: ErrorShares, option: str) -> str:
    """'margin led by sensor.hysteresis per unit', or that no effect is resolved."""
    rows = rows_of(shares, option, MARGIN, str(shares.effects["by"].iloc[0]))
    resolved = rows[rows["verdict"] == "resolved"]
    return (
        f"margin led by {resolved.iloc[0]['group']}" if len(resolved) else "no effect on the margin resolved"
    )


def in_words(shares: ErrorShares) -> tuple[str, ...]:
    """What margin, failing and the effects on them are, a sentence each."""
    counted = {
        "units at every check point": "A unit fails where an error exceeds the permissible one at any check point.",
        "units by share of readings": "A unit fails where too many of its readings are beyond the permissible error.",
        "readings": "Readings are counted: failing is the share of a unit's readings beyond the permissible error.",
    }
    return (
        "Conformity margin of a unit: 1 less its largest |error| / permissible error; an error beyond twice the "
        "permissible one counts as twice, so that units out of all range do not set the variance. "
        + counted[shares.case.requirement.counts],
        MAIN_EFFECT,
        TOTAL_EFFECT,
        CURED,
    )


def rows_of(shares: ErrorShares, option: str, output: str, by: str) -> pd.DataFrame:
    """Effects on one output, the largest total effect first."""
    rows = shares.effects
    rows = rows[(rows["option"] == option) & (rows["output"] == output) & (rows["by"] == by)]
    return rows.sort_values("total", ascending=False, kind="stable")


def rank_cell(row: pd.Series, rows: pd.DataFrame) -> str:
    """The rank, with '=' where several share it."""
    tied = int((rows["rank"] == row["rank"]).sum()) > 1
    return f"{int(row['rank'])}{'=' if tied else ''}"


def group_lines(shares: ErrorShares, option: str) -> tuple[str, ...]:
    """Which factors are one group, which have no effect, and on which outputs of the option there are none, and why."""
    found = (*of_groups(shares), *undefined_effects(shares, option))
    return tuple(map(said, found))


def _pictures(shares: ErrorShares, option: str, version: str, by: str) -> list[Picture]:
    caption = shares_caption(shares, version)
    drawn: list[Picture] = []
    if not rows_of(shares, option, MARGIN, by)["total"].isna().all():
        drawn.append(
            drawn_picture(
                "effects-on-margin",
                budget_figures.effect_dots(shares, option, MARGIN, by=by),
                f"Main (open) and total effect (full) on the conformity margin, leading lines by {by}; bars are "
                "intervals.",
                caption,
            )
        )
    if not rows_of(shares, option, FAILING, by)["cured"].isna().all():
        drawn.append(
            drawn_picture(
                "failing-units-cured",
                budget_figures.cured_dots(shares, option, by=by),
                f"Failing units that would conform had one {by} alone been drawn afresh; bars are intervals.",
                caption,
            )
        )
    return drawn


def _table(shares: ErrorShares, option: str, output: str, heading: str, by: str) -> Table:
    rows = rows_of(shares, option, output, by)
    resolved = rows[rows["verdict"] == "resolved"]
    silent = len(rows) - len(resolved)
    rest = f" {silent} below resolution or undefined, with numbers in effects.csv." if silent else ""
    names = ["main", "total", *(["cured"] if output == FAILING else [])]
    shown = [row for _, row in resolved.iterrows()]
    body = tuple(
        (rank_cell(row, rows), str(row["group"]), *(cell.text for cell in cells))
        for row, *cells in zip(shown, *(effect_column(shown, name) for name in names), strict=True)
    )
    heads = ("Main effect", "Total effect", "Cured")[: len(names)]
    return Table(f"{heading} by {by}.{rest}", ("Rank", by.capitalize(), *heads), body, 2)
