"""Findings of an error budget for one calibration option: leading causes, what was evaluated, and what is undefined."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import pandas as pd

from margin.estimates.error_budget import ErrorBudget
from margin.estimates.finding import Finding, Number
from margin.estimates.sensitivity.rounds import LEADING as MOST_LEADING
from margin.estimates.shares import FAILING, MARGIN, ErrorShares
from margin.estimates.shares.result import MOST_ADVISED, Runs

LEADING = 8
"""Leading causes that are findings; the others stand in the tables."""
_BY = "factor"


def findings_of_budget(budget: ErrorBudget, option: str) -> tuple[Finding, ...]:
    """Leading causes, additivity, dependent and inert groups, undefined effects, runs, cautions, how computed."""
    shares = budget.shares
    return (
        *leading_causes(budget, option),
        Finding("changes do not add up"),
        *of_groups(shares),
        *undefined_effects(shares, option),
        *map(of_runs, shares.runs),
        *(Finding("caution", values={"text": text}) for text in budget.cautions),
        computed(budget),
    )


def leading_causes(budget: ErrorBudget, option: str) -> Iterator[Finding]:
    """Causes whose total effect on the conformity margin is resolved, the largest first; or that there is none.

    dependent  whether the cause is a group of factors that depend on each other
    halved     change of the 95 % point of |error| with the spread halved; None where no single spread was changed
    """
    margin = _effects(budget.shares, option, MARGIN)
    failing = {str(row["group"]): row for row in _effects(budget.shares, option, FAILING).to_dict("records")}
    of = budget.actions
    of = of[(of["option"] == option) & (of["by"] == _BY) & (of["change"] == "halved")]
    halved = {str(row["factor"]): row for row in of.to_dict("records")}
    resolved = margin[margin["verdict"] == "resolved"].head(LEADING)
    if resolved.empty:
        yield Finding("no leading cause", option)
    for row in resolved.to_dict("records"):
        group = str(row["group"])
        change = halved.get(group)
        values = {
            "option": option,
            "rank": int(row["rank"]),
            "tied": int((margin["rank"] == row["rank"]).sum()) > 1,
            "total": _number(row, "total", "share"),
            "cured": _number(failing[group], "cured", "share"),
            "dependent": group in budget.shares.dependent,
            "halved": None if change is None else _number(change, "error_change_N", "N"),
        }
        yield Finding(
            "leading cause of the margin", group, values, "" if change is None else "halve the spread"
        )


def of_groups(shares: ErrorShares) -> Iterator[Finding]:
    """Factors that are one group because they depend on each other, and groups that change no output."""
    for names in shares.dependent:
        yield Finding("dependent factors", names)
    if shares.inert:
        yield Finding("groups without effect", values={"groups": list(shares.inert)})


def undefined_effects(shares: ErrorShares, option: str) -> Iterator[Finding]:
    """Outputs of the option without effects, by reason."""
    rows = shares.effects
    rows = rows[(rows["option"] == option) & (rows["reason"] != "")].drop_duplicates(["output", "reason"])
    for reason, part in rows.drop_duplicates("output").groupby("reason", sort=False):
        values = {"outputs": [str(output) for output in part["output"]], "reason": str(reason)}
        yield Finding("undefined effects", option, values)


def of_runs(runs: Runs) -> Finding:
    """How much was evaluated for one grouping, and why it ended."""
    values = {
        **vars(runs),
        "leading": min(runs.groups, MOST_LEADING),
        "more_can_be_drawn": runs.more <= MOST_ADVISED,
    }
    return Finding("runs of a grouping", runs.by, values)


def computed(budget: ErrorBudget) -> Finding:
    """Seed, version and level of the intervals."""
    values = {
        "seed": budget.case.study.seed,
        "version": budget.version,
        "confidence": Number(budget.case.requirement.confidence, unit="share"),
        "units": int(budget.actions["units"].max()),
    }
    return Finding("computed budget", values=values)


def _effects(shares: ErrorShares, option: str, output: str) -> pd.DataFrame:
    """Effects of the factors on one output, the largest total effect first."""
    rows = shares.effects
    rows = rows[(rows["option"] == option) & (rows["output"] == output) & (rows["by"] == _BY)]
    return rows.sort_values("total", ascending=False, kind="stable")


def _number(row: Mapping[Any, Any], name: str, unit: str) -> Number:
    return Number(float(row[name]), float(row[f"{name}_low"]), float(row[f"{name}_high"]), unit)
