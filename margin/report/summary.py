"""What one screen says of a finished study, as text without layout: terminal, notebook and page share it."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from margin.case.types import Case
from margin.chain.interface import DirectInterface
from margin.estimates import numbers
from margin.estimates.assumptions import by_weight, cancelling
from margin.estimates.decision import bound_in_words
from margin.estimates.results import DesignCheck, OptionResult, Results
from margin.report.advice_words import next_step
from margin.report.requirement_words import requirement_in_words

LEADING = 5
FIRST_ASSUMED = 4


@dataclass(frozen=True)
class OptionLine:
    """One calibration option; `*_interval` stands below or beside its number. `bound` is the lower bound with its
    interval."""

    name: str
    yields: str
    yield_interval: str
    lower_bound: str
    bound: str
    error: str
    error_interval: str
    error_at: str
    largest: str
    largest_interval: str
    seconds: str
    conforms: bool
    verdict: str


@dataclass(frozen=True)
class CauseLine:
    """One cause of error and what halving its spread does."""

    rank: str
    factor: str
    part: str
    level: str
    yield_becomes: str
    change: str
    change_short: str
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
    requirement: tuple[str, ...]
    options: tuple[OptionLine, ...]
    recommendation: str
    recommended: str | None
    obstacles: tuple[str, ...]
    causes_of: str
    causes: tuple[CauseLine, ...]
    checks_exceeded: tuple[str, ...]
    checks_other: str
    assumed: str
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
    focus = focus_option(results)
    return Summary(
        title=results.case.name,
        conforms=results.conforms,
        verdict=results.verdict,
        requirement=requirement_in_words(results.case),
        options=tuple(option_line(option, results) for option in results.options),
        recommendation=recommendation(results),
        recommended=results.recommendation.option,
        obstacles=results.recommendation.obstacles,
        causes_of=focus.name,
        causes=leading_causes(results, focus.name),
        checks_exceeded=tuple(check_in_words(c) for c in results.checks if c.verdict == "exceeded"),
        checks_other=_other_checks(results.checks),
        assumed=assumed_in_words(results),
        ideal=ideal_in_words(results.case),
        cautions=results.cautions,
        cancels=cancelling_in_words(results),
        next_step=next_step(results),
        computed=computed_in_words(results),
    )


def option_line(option: OptionResult, results: Results) -> OptionLine:
    """One calibration option in numbers."""
    found = option.decisive_yield.sampled
    worst = worst_load(option)
    value, low, high = (float(worst[f"p95_abs_N{end}"]) for end in ("", "_low", "_high"))
    scale = numbers.scale_for([row["p95_abs_N"] for row in map(worst_load, results.options)], "N")
    largest = option.largest
    bound = bound_in_words(option.decisive_yield, results.case.requirement.target)
    return OptionLine(
        name=option.name,
        yields=numbers.share_value(found.value, found.low, found.high),
        yield_interval=numbers.share_interval(found.low, found.high),
        lower_bound=bound.partition(" (")[0],
        bound=bound,
        error=numbers.value_only(value, low, high, "N", scale=scale),
        error_interval=numbers.interval(low, high, "N", scale=scale),
        error_at=numbers.plain(float(worst["load_N"]), "N"),
        largest=numbers.value_only(largest.value, largest.low, largest.high),
        largest_interval=numbers.interval(largest.low, largest.high),
        seconds=numbers.plain(option.seconds, "s"),
        conforms=option.conforms,
        verdict=option.verdict,
    )


def worst_load(option: OptionResult) -> pd.Series:
    """Row of the errors over all conditions where 95 % of |error| comes closest to the permissible error."""
    rows = option.errors[option.errors["condition"] == "all"]
    ratio = (rows["p95_abs_N"] / rows["permissible_N"]).fillna(float("-inf"))
    return rows.iloc[int(ratio.to_numpy().argmax())]


def focus_option(results: Results) -> OptionResult:
    """The recommended option; where none is, the one that comes nearest."""
    return results.focus


def recommendation(results: Results) -> str:
    """The recommended calibration and why."""
    name = results.recommendation.option
    head = "no calibration option" if name is None else name
    return f"{head}: {results.recommendation.why}"


def leading_causes(results: Results, option: str, number: int = LEADING) -> tuple[CauseLine, ...]:
    """The causes of that option in order of rank, with what halving brings."""
    rows = budget_rows(results.budget, option, "halved").head(number)
    return tuple(cause_line(row, results.budget) for _, row in rows.iterrows())


def budget_rows(budget: pd.DataFrame, option: str, change: str) -> pd.DataFrame:
    """Rows of one option and one change, in order of rank."""
    chosen = budget[(budget["option"] == option) & (budget["change"] == change)]
    return chosen.sort_values(["rank", "error_change_N", "factor"], kind="stable")


def cause_line(row: pd.Series, budget: pd.DataFrame) -> CauseLine:
    """One row of the budget in words; a tied rank carries '='."""
    resolved = row["verdict"] == "resolved"
    change = [float(row[f"yield_change{end}"]) for end in ("", "_low", "_high")]
    reached = float(row["yield"])
    before = reached - change[0]
    becomes = numbers.share_value(reached, before + change[1], before + change[2])
    return CauseLine(
        rank=rank_shown(row, budget),
        factor=str(row["factor"]),
        part=str(row["part"]),
        level=str(row["level"]),
        yield_becomes=becomes if resolved else "–",
        change=numbers.share_change(*change, resolved=resolved),
        change_short=numbers.share_change(*change, resolved=resolved, unit=""),
        resolved=resolved,
    )


def rank_shown(row: pd.Series, budget: pd.DataFrame) -> str:
    """'3', or '3=' where several causes share the rank."""
    sharing = (
        (budget["option"] == row["option"])
        & (budget["change"] == row["change"])
        & (budget["rank"] == row["rank"])
    )
    return f"{int(row['rank'])}{'=' if int(sharing.sum()) > 1 else ''}"


def check_in_words(check: DesignCheck) -> str:
    """One design check with its value, limit and margin."""
    text = f"{check.name}: {numbers.plain(check.value, check.unit)}"
    if check.limit is not None:
        text += f", limit {numbers.plain(check.limit, check.unit)}"
    if check.margin is not None:
        text += f", margin {numbers.percent(check.margin, 'limit', 2)}"
    return f"{text} ({check.note})" if check.note else text


def _other_checks(checks: tuple[DesignCheck, ...]) -> str:
    if not checks:
        return "none made"
    parts = []
    for word in ("kept", "for information"):
        names = [check.name for check in checks if check.verdict == word]
        if names:
            parts.append(f"{len(names)} {word} ({', '.join(names)})")
    return "; ".join(parts) if parts else "none kept"


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


def cancelling_in_words(results: Results) -> str:
    """What a ratiometric converter takes out: '' where there is nothing to say."""
    names = cancelling(results)
    if not names:
        return ""
    return f"cancels: {', '.join(names)} (the ratiometric converter shares the reference)"


def ideal_in_words(case: Case) -> tuple[str, ...]:
    """'Converter: none stated, ...' and 'Interface: direct, ...': parts of the chain that are taken as ideal."""
    found = []
    converter, interface = case.elements.get("converter"), case.elements.get("interface")
    if converter is not None and converter.options.get("bits") == 0:
        found.append("Converter: none stated, taken as ideal: no quantisation, no noise")
    if interface is not None and interface.kind == DirectInterface.kind:
        found.append("Interface: direct, the whole load reaches the sensor evenly")
    return tuple(found)


_PATH_WORDS = {
    "arrays": "",
    "kernel": ", by a compiled kernel",
    "device": ", by a kernel on an accelerator",
}


def computed_in_words(results: Results) -> str:
    """How the numbers came about; stands under every figure and table."""
    confidence = numbers.percent(results.case.requirement.confidence)
    outer = "" if results.outer <= 1 else f" in {numbers.count(results.outer)} outer draws"
    looks = "" if results.looks <= 1 else f" at {results.looks} looks"
    lots = "" if not results.lots else f" of {numbers.count(results.lots)} lots"
    asked = results.case.study.units
    # whole outer draws, cells and lots add a few; more is worth a word
    raised = f" ({numbers.count(asked)} asked: too few for a bound)" if results.units > 1.5 * asked else ""
    by = f", not compiled ({results.uncompiled})" if results.uncompiled else _PATH_WORDS[results.path]
    return (
        f"{confidence} intervals; Monte Carlo, {numbers.count(results.units)} units{raised}{lots}{outer}{looks}, "
        f"seed {results.seed}, margin {results.version}{by}"
    )
