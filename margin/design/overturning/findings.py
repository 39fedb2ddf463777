"""Findings about what overturns a decision, for the sentences of every face."""

from __future__ import annotations

import math

from margin.design.overturning.result import Overturning, Pair, Turning
from margin.estimates.finding import Finding, Number
from margin.estimates.yield_result import Estimate

TOP = 3
"""Turning points that a first page names."""


def findings(found: Overturning, most: int = TOP) -> tuple[Finding, ...]:
    """The nearest turning points, one a quantity and at most so many, then how many moves turn nothing; where there are
    none, that alone."""
    nearest: dict[str, Turning] = {}
    for each in found.nearest:
        nearest.setdefault(each.quantity, each)
    shown = tuple(of_turning(found, each) for each in list(nearest.values())[:most])
    held = [each for each in found.never if each.held_at]
    count = Finding(
        "never overturning",
        found.option,
        {"moves": len(found.never), "held": len(held), "of": len(found.turnings), "verdict": found.verdict},
    )
    return (*shown, count)


def of_turning(found: Overturning, each: Turning) -> Finding:
    """One turning point; its change of the case is the action."""
    if each.value is None or each.score is None:
        raise ValueError(f"the verdict does not turn within the range of {each.subject}")
    values = {
        **_decision(found),
        "measure": each.measure,
        "kind": each.kind,
        "direction": each.direction,
        "value": _number(each.value, each.unit),
        "contains_assumed": each.contains_assumed,
        "assumed": Number(each.assumed, *each.plausible, each.unit),
        "multiple": each.multiple,
        "score": _number(each.score, ""),
    }
    return Finding("overturning value", each.subject, values, each.change)


def of_pair(found: Overturning, pair: Pair) -> Finding:
    """Two quantities that turn the verdict together."""
    parts = [
        {
            "subject": one.subject,
            "measure": one.measure,
            "direction": one.direction,
            "value": Number(value, unit=one.unit),
        }
        for one, value in ((pair.first, pair.first_value), (pair.second, pair.second_value))
    ]
    values = {**_decision(found), "parts": parts, "score": _number(pair.score, "")}
    return Finding("overturning pair", f"{pair.first.subject} with {pair.second.subject}", values)


def _decision(found: Overturning) -> dict[str, object]:
    return {
        "option": found.option,
        "verdict": found.verdict,
        "reaches": found.before.value >= found.target,
        "target": Number(found.target, unit="share"),
    }


def _number(found: Estimate, unit: str) -> Number:
    """An estimate whose infinite ends are none."""
    low, high = (end if math.isfinite(end) else None for end in (found.low, found.high))
    return Number(found.value, low, high, unit)
