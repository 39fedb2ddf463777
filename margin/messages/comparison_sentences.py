"""Sentences of findings on two studies side by side, from their plain data alone."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

from margin.estimates import numbers
from margin.estimates.number_columns import NONE

Plain = Mapping[str, Any]

_POINTS = numbers.Scale(100.0, "points")
_CHECK_WORDS = {"kept": "passed", "exceeded": "EXCEEDED"}


def _better(subject: str, values: Plain, action: str) -> str:
    options = values["options"]
    noun = "calibration option" if options == 1 else "calibration options"
    counts = [
        f"{place} better in {values[place] or 'none'}" for place in ("second", "first") if values["options"]
    ]
    unresolved = f"; {values['unresolved']} below resolution" if values["unresolved"] else ""
    return f"{', '.join(counts)} of {options} {noun}{unresolved}"


def _verdict(subject: str, values: Plain, action: str) -> str:
    recommended = values["recommended"]
    said = f"recommended: {recommended!r}" if recommended else "no calibration option recommended"
    return f"{subject}, {values['verdict']}; {said}"


def _difference(subject: str, values: Plain, action: str) -> str:
    found, verdict = values["difference"], values["verdict"]
    resolved = verdict != numbers.BELOW_RESOLUTION
    shown = numbers.change(found["value"], found["low"], found["high"], scale=_POINTS, resolved=resolved)
    yields = (
        numbers.share_value(values[place]["value"], values[place]["low"], values[place]["high"])
        for place in ("second", "first")
    )
    return f"{subject}: yield {' against '.join(yields)}, {shown}{f', {verdict}' if resolved else ''}"


def check_shown(side: Plain | None) -> str:
    """A design check on one side: '4.73 V (limit 4.8 V), passed'."""
    if side is None:
        return NONE
    value, unit, limit, verdict = (
        side["value"]["value"],
        side["value"]["unit"],
        side["limit"],
        side["verdict"],
    )
    if value is None or not math.isfinite(value):
        return numbers.NOT_DETERMINED
    text = numbers.percent(value, digits=2) if unit == "share" else numbers.plain(value, unit)
    if limit is not None:
        text += f" (limit {numbers.plain(limit['value'], unit)})"
    return text if verdict == "for information" else f"{text}, {_CHECK_WORDS[verdict]}"


def _check(subject: str, values: Plain, action: str) -> str:
    return f"{subject}: first {check_shown(values['first'])}; second {check_shown(values['second'])}"


def _input(subject: str, values: Plain, action: str) -> str:
    first, second = (input_shown(values[place]) for place in ("first", "second"))
    return f"{subject}: first {first}; second {second}"


def input_shown(value: str | None) -> str:
    """An input as written; 'not stated' where a case leaves it out."""
    return "not stated" if value is None else value


SENTENCES: Mapping[str, Callable[[str, Plain, str], str]] = {
    "which case is better": _better,
    "verdict of a case": _verdict,
    "difference of two yields": _difference,
    "design check of two cases": _check,
    "changed input": _input,
}
