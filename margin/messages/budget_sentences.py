"""Sentences of findings of an error budget, from their plain data alone."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

from margin.estimates import numbers
from margin.estimates.number_columns import PERCENT

Plain = Mapping[str, Any]

NOT_ADDITIVE = (
    "Each line changes one cause alone, in use and at the calibration, on the same draws. Changes of several lines "
    "do not add up: an effect that causes have together belongs to none of them alone."
)


def _leading(subject: str, values: Plain, action: str) -> str:
    tied = "=" if values["tied"] else ""
    parts = [f"{subject} (rank {values['rank']}{tied}): total effect on the margin {_share(values['total'])}"]
    if _determined(values["cured"]):
        parts.append(f"cures {_share(values['cured'])} of the failing units")
    moved = values["halved"]
    if moved is not None and _determined(moved):
        change = numbers.change(moved["value"], moved["low"], moved["high"], moved["unit"])
        parts.append(f"with its spread halved, 95 % of |error| moves by {change}")
    return "; ".join(parts)


def _share(number: Plain) -> str:
    """'62 % (58 to 66 %)'."""
    return numbers.with_interval(number["value"], number["low"], number["high"], scale=PERCENT)


def _determined(number: Plain) -> bool:
    """Whether value and ends are numbers: what is not finite is null in JSON."""
    ends = (number["value"], number["low"], number["high"])
    return all(end is not None and math.isfinite(end) for end in ends)


def _runs(subject: str, values: Plain, action: str) -> str:
    done = (
        f"by {subject}: {numbers.count(values['base'])} units, each evaluated "
        f"{values['runs'] // values['base']} times; "
    )
    leading = f"intervals of the leading {values['leading']} causes on margin and failing units"
    if values["stopped_by"] == "width":
        return f"{done}{leading} are at most {values['width']:g} wide"
    remedy = (
        f"about {numbers.count(values['more'])} more evaluations would reach it"
        if values["more_can_be_drawn"]
        else "more evaluations than can be drawn would be needed"
    )
    return f"{done}{leading} are up to {values['widest']:.2g} wide where {values['width']:g} was wanted; {remedy}"


SENTENCES: Mapping[str, Callable[[str, Plain, str], str]] = {
    "leading cause of the margin": _leading,
    "no leading cause": lambda subject, values, action: (
        f"no cause has a resolved effect on the conformity margin with {subject!r}"
    ),
    "changes do not add up": lambda subject, values, action: NOT_ADDITIVE,
    "dependent factors": lambda subject, values, action: (
        f"One group, because they depend on each other: {subject}."
    ),
    "groups without effect": lambda subject, values, action: (
        f"No effect at all in any option: {', '.join(values['groups'])}. Did they reach the model?"
    ),
    "undefined effects": lambda subject, values, action: (
        f"No effects on {', '.join(values['outputs'])}: {values['reason']}."
    ),
    "runs of a grouping": _runs,
    "computed budget": lambda subject, values, action: (
        f"{numbers.percent(values['confidence']['value'])} intervals; {numbers.count(values['units'])} units under "
        f"each change, seed {values['seed']}, margin {values['version']}"
    ),
}
