"""What to do next about a finished study, as a finding: decided here, put into words elsewhere."""

from __future__ import annotations

import dataclasses
from typing import Any

from margin.case.types import Case
from margin.estimates.advice.limit import widened
from margin.estimates.advice.result import Advice, Trial
from margin.estimates.assumptions import by_weight
from margin.estimates.finding import Finding, Number
from margin.estimates.results import Results

MOST_LISTED = 3


def next_step(results: Results) -> Finding:
    """What to do next, read off the verdict, the intervals and the actions that were tried."""
    if results.verdict == "undecided":
        return Finding("draw more units", values={"because": results.recommendation.obstacles[0]})
    if results.advice is not None:
        return _of_advice(results.advice, results)
    if not results.conforms:
        return Finding("run with a budget")
    for weighed in by_weight(results):
        if weighed.resolved:
            return Finding("measure what is assumed", values={"text": weighed.assumption.text})
    return Finding("build a pilot lot" if results.case.assumptions else "nothing needed")


def _of_advice(advice: Advice, results: Results) -> Finding:
    first: dict[str, Any] = {"saturated": advice.saturated, "mending": advice.mending}
    first["target"] = Number(results.case.requirement.target, unit="share")
    if advice.mending is not None and advice.mending.verdict == "conforms":
        return _step("mending suffices", advice.mending, first)
    passing = any(option.conforms for option in results.options)
    if passing and results.exceeded and not advice.saturated:
        return Finding("change the design for a check", results.exceeded[0].name)
    if advice.sufficient:
        return _step("action suffices", advice.sufficient[0], first)
    actions = [trial.action for trial in advice.trials]
    if advice.together is not None and advice.together.verdict != "does not conform":
        return _step("actions suffice together", advice.together, {**first, "actions": actions})
    limits = {
        name: None if multiple is None else _limit(results.case, multiple)
        for name, multiple in (("limit", advice.multiple), ("limit_together", advice.multiple_together))
    }
    values = {
        **first,
        **limits,
        "limiting": advice.limiting,
        "actions": (actions or list(advice.helpful))[:MOST_LISTED],
    }
    return Finding("no action suffices", advice.option, values)


def _step(kind: str, trial: Trial, values: dict[str, Any]) -> Finding:
    return Finding(kind, trial.option, {**values, "trial": trial}, trial.action.becomes)


def _limit(case: Case, multiple: float) -> dict[str, Any]:
    """A permissible error so many times the present one, in its parts."""
    need = widened(case, multiple).requirement
    return {
        "multiple": multiple,
        "requirement": dataclasses.asdict(need),
        "span": Number(case.span, unit="N"),
    }
