"""Sentences of findings: the one place where what a study found is put into words.

A sentence is made from the plain data of a finding (`Finding.to_dict`, or the list `findings` of results.json) and of
nothing else, so that terminal, page and notebook say the same of the same numbers.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from margin.estimates import numbers
from margin.estimates.finding import Finding
from margin.messages import (
    advice,
    bench_sentences,
    budget_sentences,
    comparison_sentences,
    overturning,
    rare_sentences,
)
from margin.messages.advice import bound_in_words
from margin.messages.verdict import verdict_in_words

Plain = Mapping[str, Any]
"""A finding as plain data: kind, subject, values, action."""


def said(finding: Finding) -> str:
    """The sentence of a finding, from its plain data."""
    return sentence(finding.to_dict())


def sentence(finding: Plain) -> str:
    """The sentence of a finding in plain data, without a full stop. KeyError for a kind that has none."""
    return SENTENCES[finding["kind"]](finding["subject"], finding["values"], finding["action"])


def required(values: Plain) -> str:
    """The required yield: '95 %'."""
    return numbers.percent(values["target"]["value"], digits=6)


def _lowest_cost(subject: str, values: Plain, action: str) -> str:
    return (
        f"lowest cost ({numbers.plain(values['seconds']['value'], 's')} a unit) whose lower bound on the yield, "
        f"{bound_in_words(values['bound'], values['target']['value'])}, reaches {required(values)} with "
        f"{values['readings']} readings a unit"
    )


def _check_in_the_way(subject: str, values: Plain, action: str) -> str:
    return (
        f"the yield of {subject!r} would do, but not the circuit; {subject!r} takes the "
        f"{_lowest_cost(subject, values, action)}"
    )


def _none(subject: str, values: Plain, shown: str) -> str:
    reached = bound_in_words(values["bound"], values["target"]["value"])
    return f"none {shown} {required(values)}; {subject!r} comes nearest with a lower bound of {reached}"


def _undecided_option(subject: str, values: Plain, action: str) -> str:
    needed = values["units_needed"]
    takes = (
        "its lower bound lies too near the target for more draws to decide"
        if needed is None
        else f"about {numbers.count(needed)} units would decide"
    )
    return f"undecided: {subject!r}, {bound_in_words(values['bound'], values['target']['value'])}; {takes}"


_AGAINST_SATURATION = {
    "pedestal": "raise the output at no load (a pedestal); a lower gain would not help",
    "gain": "lower the gain",
}


def _saturation(subject: str, values: Plain, action: str) -> str:
    return (
        f"saturation: {_part(values)} are at a limit of circuit or converter: {_AGAINST_SATURATION[action]}"
    )


def _blind_zone(subject: str, values: Plain, action: str) -> str:
    return f"blind zone: {_part(values)} are indistinguishable from zero load: raise the smallest load or the gain"


def _part(values: Plain) -> str:
    """'12 % of the readings at 20 N'."""
    return f"{numbers.percent(values['share']['value'], digits=2)} of the readings at {_load(values)}"


def _load(values: Plain) -> str:
    return numbers.plain(values["load"]["value"], "N", digits=4)


def _cause_frozen(subject: str, values: Plain, action: str) -> str:
    reached, error = values["yield"], values["error"]
    within = numbers.value_only(error["value"], error["low"], error["high"], error["unit"])
    shown = numbers.share_value(reached["value"], reached["low"], reached["high"])
    return (
        f"{subject}: without it the yield would be {shown} and 95 % of the errors would stay within {within}"
    )


def _epistemic(subject: str, values: Plain, action: str) -> str:
    return (
        "epistemic uncertainty: the yield itself reaches the target, its lower bound does not, because of the station "
        "and of spreads estimated from few units. Measure more units, or the reference load cell, before buying parts"
    )


def _design_check(subject: str, values: Plain, action: str) -> str:
    unit = values["value"]["unit"]
    text = f"{subject}: {numbers.plain(values['value']['value'], unit)}"
    if values["limit"] is not None:
        text += f", limit {numbers.plain(values['limit']['value'], unit)}"
    if values["margin"] is not None:
        text += f", margin {numbers.percent(values['margin']['value'], 'limit', 2)}"
    return f"{text} ({values['note']})" if values["note"] else text


def _cancelled(subject: str, values: Plain, action: str) -> str:
    return f"cancels: {', '.join(values['causes'])} (the ratiometric converter shares the reference)"


_IDEAL = {
    "converter": "Converter: none stated, taken as ideal: no quantisation, no noise",
    "interface": "Interface: direct, the whole load reaches the sensor evenly",
}

_PATHS = {"arrays": "", "kernel": ", by a compiled kernel", "device": ", by a kernel on an accelerator"}


def _computed(subject: str, values: Plain, action: str) -> str:
    units, asked = values["units"], values["asked"]
    outer = "" if values["outer"] <= 1 else f" in {numbers.count(values['outer'])} outer draws"
    looks = "" if values["looks"] <= 1 else f" at {values['looks']} looks"
    lots = "" if not values["lots"] else f" of {numbers.count(values['lots'])} lots"
    # whole outer draws, cells and lots add a few; more is worth a word
    raised = f" ({numbers.count(asked)} asked: too few for a bound)" if units > 1.5 * asked else ""
    reason = values["uncompiled"]
    by = f", not compiled ({reason})" if reason else _PATHS[values["path"]]
    return (
        f"{numbers.percent(values['confidence']['value'])} intervals; Monte Carlo, {numbers.count(units)} "
        f"units{raised}{lots}{outer}{looks}, seed {values['seed']}, margin {values['version']}{by}"
    )


SENTENCES: Mapping[str, Callable[[str, Plain, str], str]] = {
    "verdict": verdict_in_words,
    "lowest cost": _lowest_cost,
    "design check stands in the way": _check_in_the_way,
    "none shown": lambda subject, values, action: _none(subject, values, "is shown to reach"),
    "none reaches": lambda subject, values, action: _none(subject, values, "reaches"),
    "undecided option": _undecided_option,
    "design check exceeded": lambda subject, values, action: f"design check exceeded: {subject}",
    "saturation": _saturation,
    "blind zone": _blind_zone,
    "cause frozen": _cause_frozen,
    "epistemic uncertainty": _epistemic,
    "design check": _design_check,
    "cancelled": _cancelled,
    "ideal part": lambda subject, values, action: _IDEAL[subject],
    "assumption": lambda subject, values, action: str(values["text"]),
    "default": lambda subject, values, action: str(values["text"]),
    "caution": lambda subject, values, action: str(values["text"]),
    "computed": _computed,
    "draw more units": lambda subject, values, action: f"draw more units: {sentence(values['because'])}",
    "run with a budget": lambda subject, values, action: (
        "run the study with its budget: the actions that would help are tried there"
    ),
    "measure what is assumed": lambda subject, values, action: (
        f"measure what is assumed and counts most: {values['text']}"
    ),
    "build a pilot lot": lambda subject, values, action: (
        "build a pilot lot: no single assumption moves the result within its resolution"
    ),
    "nothing needed": lambda subject, values, action: (
        "none needed: the requirement is met with what was measured"
    ),
    "change the design for a check": lambda subject, values, action: (
        f"change the design so that its check is passed: {subject}"
    ),
    "mending suffices": advice.mending_suffices,
    "action suffices": advice.action_suffices,
    "actions suffice together": advice.actions_suffice,
    "no action suffices": advice.no_action_suffices,
    "overturning value": overturning.turning_value,
    "overturning pair": overturning.pair,
    "never overturning": overturning.never,
    "largest against its limit": lambda subject, values, action: (
        f"no single cause: the error is largest against its limit at {_load(values)}"
    ),
    **bench_sentences.SENTENCES,
    **budget_sentences.SENTENCES,
    **rare_sentences.SENTENCES,
    **comparison_sentences.SENTENCES,
}
"""Sentence of each kind from subject, values and action."""
