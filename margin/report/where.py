"""Which cause sets the error over the range: a section that report and budget share."""

from __future__ import annotations

from collections.abc import Sequence
from math import isnan
from typing import Any

import pandas as pd

from margin.estimates import numbers
from margin.estimates.number_columns import Cell, Entry, plain_column, share_column
from margin.estimates.shares import FAILING, MARGIN, ErrorShares
from margin.estimates.shares.outputs import error_name
from margin.report import budget_figures, figures
from margin.report.blocks import Picture, Section, Table, picture
from margin.report.summary import entry_of

UNDEFINED = "undefined"
_SCOPES = {"common": "common to all units", "between": "from unit to unit", "within": "within a unit"}
WHERE = "Contribution over the load range"


def where_section(shares: ErrorShares, option: str, version: str) -> Section:
    """Contribution of causes over the load range, and what a calibration could remove."""
    caption = shares_caption(shares, version)
    drawn = [
        drawn_picture(
            "shares-over-load", budget_figures.shares_over_load(shares, option),
            f"Main effects on the force error by cause over load ({option}): shares of its variance.", caption,
        ),
        drawn_picture(
            "scopes-over-load", budget_figures.scopes_over_load(shares, option),
            "What all units have in common, what differs between units and what moves within a unit.", caption,
        ),
        drawn_picture(
            "spread-over-load", budget_figures.spread_over_load(shares, option),
            "The same as standard deviations, with intervals; a mean error common to all units is not part of it.",
            caption,
        ),
    ]  # fmt: skip
    if shares.over_temperature is not None and shares.over_temperature["temperature_degC"].nunique() > 1:
        output = error_name(shares.case.check_loads[len(shares.case.check_loads) // 2])
        drawn.append(
            drawn_picture(
                "shares-over-temperature",
                budget_figures.shares_over_temperature(shares, option, output),
                f"Main effects at fixed temperatures in use: {output}.",
                caption,
            )
        )
    return Section(WHERE, (*drawn, scopes_table(shares, option)))


def scopes_table(shares: ErrorShares, option: str) -> Table:
    """Shares of the variance of one option that are common to all units, between units and within a unit."""
    rows = [row for _, row in shares.scopes[shares.scopes["option"] == option].iterrows()]
    return Table(
        "Shares of the variance (errors beyond ten times the permissible one counted as ten times): a better "
        "calibration of each unit could remove what differs between units; it never removes what moves within a unit.",
        ("Output", "Standard deviation", "Common to all units", "From unit to unit", "Within a unit"),
        tuple(
            (str(row["output"]), deviation, *(cell.text for cell in cells))
            for row, deviation, *cells in zip(
                rows,
                _deviations(rows),
                *(effect_column(rows, name) for name in ("common", "between", "within")),
                strict=True,
            )
        ),
    )


def largest_contribution(shares: ErrorShares, option: str) -> str:
    """'error at 60 N: 45 % from unit to unit', at the highest load; that it is undefined where it is."""
    rows = shares.scopes[
        (shares.scopes["option"] == option)
        & (shares.scopes["output"] == error_name(shares.case.check_loads[-1]))
    ]
    if rows.empty or rows.iloc[0][list(_SCOPES)].isna().any():
        return UNDEFINED
    row = rows.iloc[0]
    name = max(_SCOPES, key=lambda scope: float(row[scope]))
    return f"{row['output']}: {numbers.percent(float(row[name]), digits=2)} {_SCOPES[name]}"


def shares_caption(shares: ErrorShares, version: str) -> str:
    """Level, units, seed and version of shares: they rest on units of their own, not on those of the study."""
    level = numbers.percent(shares.case.requirement.confidence)
    most = max((run.runs for run in shares.runs), default=0)
    return (
        f"Sobol indices, intervals at {level}; up to {numbers.count(most)} evaluations of a unit for a grouping, seed "
        f"{shares.case.study.seed}, margin {version}."
    )


def _deviations(rows: Sequence[pd.Series]) -> list[str]:
    """Standard deviations of outputs: forces in one unit, margin and failing as numbers."""
    values = [float(row["standard_deviation"]) for row in rows]
    plain = [str(row["output"]) in (MARGIN, FAILING) for row in rows]
    forces = [None if bare or isnan(v) else v for bare, v in zip(plain, values, strict=True)]
    scale = numbers.scale_for([v for v in forces if v is not None], "N")
    return [
        UNDEFINED if isnan(value) else numbers.plain(value) if bare else force
        for value, bare, force in zip(values, plain, plain_column(forces, scale), strict=True)
    ]


def effect_column(rows: Sequence[pd.Series], name: str) -> tuple[Cell, ...]:
    """Shares in percent with intervals; 'below resolution' where one ends at zero, 'undefined' without one."""
    return effect_cells([entry_of(row, name) for row in rows])


def effect_cells(entries: Sequence[Entry]) -> tuple[Cell, ...]:
    """The same of numbers with their intervals."""
    resolved = [entry if entry.low > 0.0 else None for entry in entries]
    return tuple(
        Cell(UNDEFINED) if isnan(entry.value) else Cell(numbers.BELOW_RESOLUTION) if own is None else cell
        for entry, own, cell in zip(entries, resolved, share_column(resolved), strict=True)
    )


def drawn_picture(name: str, axes: Any, text: str, caption: str) -> Picture:
    return picture(name, figures.figure_of(axes), f"{text} {caption}", text)
