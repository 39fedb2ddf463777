"""Sentence of a verdict: the headline of page and terminal."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from margin.estimates import numbers

Plain = Mapping[str, Any]

_WORST_DIGITS = 2


def verdict_in_words(subject: str, values: Plain, action: str) -> str:
    """Verdict with the lower bound against the required share, the error at the highest check load, the worst case."""
    named = f"calibration {subject!r}"
    verdict, alone = values["verdict"], values["options"] == 1
    reached = f"{_bound(values)} of {values['counts']}, {numbers.percent(values['target']['value'], digits=6)} required"
    rest = "".join(f"; {part}" for part in (_units_needed(values), _errors(values)) if part)
    if values["exceeded"]:
        checks = ", ".join(values["exceeded"])
        return f"does not conform: design check exceeded ({checks}); {named}: {reached}{rest}"
    if verdict == "conforms":
        return f"{named} conforms: {reached}{rest}"
    if verdict == "undecided":
        return f"undecided: {named}, {reached}{rest}"
    if alone:
        return f"{named} does not conform: {reached}{rest}"
    return f"does not conform: no calibration option does; nearest is {subject!r}: {reached}{rest}"


def _bound(values: Plain) -> str:
    """'at least 97 %' where that suffices, else 'lower bound 63 %'; its interval alone where that decides nothing."""
    bound, target = values["bound"], values["target"]["value"]
    if values["option_verdict"] == "undecided":
        return f"lower bound {numbers.share_interval(bound['low'], bound['high'])}"
    shown = numbers.lower_bound(bound["value"], bound["low"], bound["high"], target=target)
    return f"{'at least' if values['option_verdict'] == 'conforms' else 'lower bound'} {shown}"


def _units_needed(values: Plain) -> str:
    needed = values["units_needed"]
    return "" if needed is None else f"about {numbers.count(needed)} units would decide"


def _errors(values: Plain) -> str:
    """'error at full load (60 N): below 2.9 N in 95 % of readings, 9.4 N with every cause at its limit'."""
    error, worst = values["error"], values["worst"]
    parts = []
    if error is not None:
        within = numbers.value_only(error["value"], error["low"], error["high"], "N")
        parts.append(f"below {within} in {numbers.percent(0.95)} of readings")
    if worst is not None:
        shown = numbers.plain(worst["value"], "N", digits=_WORST_DIGITS)
        parts.append(f"{shown} with every cause at its limit")
    if not parts:
        return ""
    return f"error at full load ({numbers.plain(values['load']['value'], 'N', digits=4)}): {', '.join(parts)}"
