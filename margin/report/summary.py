"""What one screen says of a finished study, as text without layout: terminal, notebook and page share it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd

from margin.estimates import numbers
from margin.estimates.assumptions import by_weight
from margin.estimates.findings import computed, ideal_parts, of_cancelling, of_check
from margin.estimates.headline import headline
from margin.estimates.next_step import next_step
from margin.estimates.number_columns import (
    Cell,
    Entry,
    bound_column,
    change_column,
    column,
    estimated,
    plain_column,
    scale_of,
    share_column,
    stated_column,
)
from margin.estimates.results import DesignCheck, OptionResult, Results
from margin.messages.requirement import requirement_lines
from margin.messages.sentences import said

LEADING = 5
FIRST_ASSUMED = 4


@dataclass(frozen=True)
class OptionLine:
    """One calibration option in text; numbers of one field have one format over all options."""

    name: str
    yields: Cell
    bound: Cell
    error: Cell
    error_at: str
    largest: Cell
    seconds: str
    conforms: bool
    verdict: str

    @property
    def error_text(self) -> str:
        """'4.33 N (4.28 to 4.38 N) at 40 N'"""
        return f"{self.error.text} at {self.error_at}"


@dataclass(frozen=True)
class CauseLine:
    """One cause of error and what halving its spread does; changes are in points."""

    rank: str
    factor: str
    part: str
    level: str
    yield_becomes: str
    change: Cell
    resolved: bool

    @property
    def quantity(self) -> str:
        """What varies, as the lists of a case name it: 'use.temperature (cold)'."""
        single = (each.partition(f" per {self.level}")[0] for each in self.factor.split(" + "))
        return " + ".join(each.partition(" (each ")[0] for each in single)


@dataclass(frozen=True)
class Summary:
    """Everything that one screen shows, in its order."""

    title: str
    conforms: bool
    verdict: str
    headline: str
    requirement: tuple[tuple[str, str], ...]
    options: tuple[OptionLine, ...]
    recommendation: str
    recommended: str | None
    obstacles: tuple[str, ...]
    causes_of: str
    causes: tuple[CauseLine, ...]
    checks_exceeded: tuple[str, ...]
    checks_other: str
    assumed: str
    assumptions: tuple[str, ...]
    ideal: tuple[str, ...]
    cautions: tuple[str, ...]
    cancels: str
    next_step: str
    computed: str

    @property
    def obstacles_heading(self) -> str:
        """What the obstacles are: beside a recommendation only options that the draws leave open."""
        return "In the way" if self.recommended is None else "Left open"


def summarise(results: Results) -> Summary:
    """The results put into words."""
    focus = results.focus
    return Summary(
        title=results.case.name,
        conforms=results.conforms,
        verdict=results.verdict,
        headline=said(headline(results)),
        requirement=requirement_lines(results.case),
        options=option_lines(results),
        recommendation=recommendation(results),
        recommended=results.recommendation.option,
        obstacles=tuple(map(said, results.recommendation.obstacles)),
        causes_of=focus.name,
        causes=leading_causes(results, focus.name),
        checks_exceeded=tuple(said(of_check(c)) for c in results.checks if c.verdict == "exceeded"),
        checks_other=_other_checks(results.checks),
        assumed=assumed_in_words(results),
        assumptions=tuple(each.assumption.text for each in by_weight(results)),
        ideal=tuple(map(said, ideal_parts(results.case))),
        cautions=results.cautions,
        cancels="; ".join(map(said, of_cancelling(results))),
        next_step=said(next_step(results)),
        computed=said(computed(results)),
    )


def option_lines(results: Results) -> tuple[OptionLine, ...]:
    """The calibration options in numbers, each column in one format."""
    options = results.options
    worst = [worst_load(option) for option in options]
    errors = [entry_of(row, "p95_abs_N") for row in worst]
    loads = [float(row["load_N"]) for row in worst]
    columns = zip(
        options,
        share_column([estimated(option.decisive_yield.sampled) for option in options]),
        bound_column([estimated(o.decisive_yield.bound) for o in options], results.case.requirement.target),
        column(errors, scale_of(errors, "N")),
        stated_column(loads, numbers.scale_for(loads, "N")),
        column([estimated(option.largest) for option in options], numbers.Scale(1.0, "")),
        plain_column([option.seconds for option in options], numbers.Scale(1.0, "s")),
        strict=True,
    )
    return tuple(
        OptionLine(option.name, reached, bound, error, at, largest, seconds, option.conforms, option.verdict)
        for option, reached, bound, error, at, largest, seconds in columns
    )


def entry_of(row: pd.Series, name: str) -> Entry:
    """A number of a frame with its interval: columns `name`, `name`_low, `name`_high."""
    value, low, high = (
        math.nan if row[key] is None else float(row[key]) for key in (name, f"{name}_low", f"{name}_high")
    )
    return Entry(value, low, high)


def changed(cell: Cell) -> str:
    """A change with its interval, or 'below resolution' alone."""
    return cell.value if cell.value == numbers.BELOW_RESOLUTION else cell.text


def capitalised(sentence: str) -> str:
    """A sentence with a capital letter at its beginning, unless that is a key of the case."""
    if "." in sentence.split(" ", 1)[0]:
        return sentence
    return f"{sentence[:1].upper()}{sentence[1:]}"


def worst_load(option: OptionResult) -> pd.Series:
    """Row of the errors over all conditions where 95 % of |error| comes closest to the permissible error."""
    rows = option.errors[option.errors["condition"] == "all"]
    ratio = (rows["p95_abs_N"] / rows["permissible_N"]).fillna(float("-inf"))
    return rows.iloc[int(ratio.to_numpy().argmax())]


def recommendation(results: Results) -> str:
    """The recommended calibration and why."""
    name = results.recommendation.option
    head = "no calibration option" if name is None else name
    return f"{head}: {said(results.recommendation.reason)}"


def leading_causes(results: Results, option: str, number: int = LEADING) -> tuple[CauseLine, ...]:
    """The causes of that option in order of rank, with what halving brings."""
    rows = [row for _, row in budget_rows(results.budget, option, "halved").head(number).iterrows()]
    resolved = [row["verdict"] == "resolved" for row in rows]
    changes = [entry_of(row, "yield_change") for row in rows]
    reached = share_column(
        [
            _reached(float(row["yield"]), change) if told else None
            for row, change, told in zip(rows, changes, resolved, strict=True)
        ]
    )
    moved = change_column(changes, numbers.Scale(100.0, ""), resolved)
    return tuple(
        CauseLine(
            rank_shown(row, results.budget), str(row["factor"]), str(row["part"]), str(row["level"]),
            becomes.value, change, told,
        )
        for row, becomes, change, told in zip(rows, reached, moved, resolved, strict=True)
    )  # fmt: skip


def _reached(share: float, change: Entry) -> Entry:
    """The yield with a cause halved, with the interval of its change."""
    before = share - change.value
    return Entry(share, before + change.low, before + change.high)


def budget_rows(budget: pd.DataFrame, option: str, change: str) -> pd.DataFrame:
    """Rows of one option and one change, in order of rank."""
    chosen = budget[(budget["option"] == option) & (budget["change"] == change)]
    return chosen.sort_values(["rank", "error_change_N", "factor"], kind="stable")


def rank_shown(row: pd.Series, budget: pd.DataFrame) -> str:
    """'3', or '3=' where several causes share the rank."""
    sharing = (
        (budget["option"] == row["option"])
        & (budget["change"] == row["change"])
        & (budget["rank"] == row["rank"])
    )
    return f"{int(row['rank'])}{'=' if int(sharing.sum()) > 1 else ''}"


def _other_checks(checks: tuple[DesignCheck, ...]) -> str:
    if not checks:
        return "none made"
    parts = []
    for verdict, word in (("kept", "passed"), ("for information", "for information")):
        names = [check.name for check in checks if check.verdict == verdict]
        if names:
            parts.append(f"{len(names)} {word} ({', '.join(names)})")
    return "; ".join(parts) if parts else "none passed"


def assumed_in_words(results: Results) -> str:
    """How much was assumed, and what of it counts most."""
    case = results.case
    lines = [each.assumption.text for each in by_weight(results)] + list(case.defaults)
    if not lines:
        return "nothing: every quantity and spread was stated as measured"
    rest = len(lines) - FIRST_ASSUMED
    more = f"; and {rest} more" if rest > 0 else ""
    shown = "; ".join(lines[:FIRST_ASSUMED])
    return f"{len(case.assumptions)} not measured, {len(case.defaults)} by default: {shown}{more}"
