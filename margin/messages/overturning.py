"""Sentences of what overturns a decision: 'conforms as long as ... stays below ...'."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from margin.case import units
from margin.estimates import numbers

Plain = Mapping[str, Any]

MOST_AS_PERCENT = 0.3
"""A plain number up to this size is shown in percent, as effects and errors are written; a larger one is no share."""

_WHAT = {
    "half width": "the half width of {}",
    "standard deviation": "the standard deviation of {}",
    "mean": "the mean of {}",
    "true value": "the true value of {}",
    "value": "{}",
}
"""What a number is, of a quantity."""


def turning_value(subject: str, values: Plain, action: str) -> str:
    """The value up to which the verdict holds, with what was assumed and how far away that is."""
    number, measure = values["value"], values["measure"]
    would = values["verdict"] == "does not conform" or (
        values["verdict"] == "undecided" and not values["reaches"]
    )
    if values["contains_assumed"]:
        beside = f"interval from the assumed {assumed_text(values)} on"
    else:
        beside = f"{interval_text(number, measure)}; assumed {assumed_text(values)}"
    return (
        f"{_clause(values)} {_WHAT[measure].format(subject)} {'stayed' if would else 'stays'} {values['direction']} "
        f"{value_text(number, measure)} ({beside}, {distance_text(values)})"
    )


def _clause(values: Plain) -> str:
    if values["verdict"] == "conforms":
        return "conforms as long as"
    if values["verdict"] == "does not conform":
        return "would conform if"
    required = numbers.percent(values["target"]["value"], digits=6)
    if values["reaches"]:
        return f"undecided by these draws: the lower bound is {required} or more as long as"
    return f"undecided by these draws: the lower bound would be {required} if"


def never(subject: str, values: Plain, action: str) -> str:
    """How many moves turn nothing."""
    count, of = values["moves"], values["of"]
    if not of:
        return f"nothing assumed in this case is a number that could overturn the verdict on {subject!r}"
    held = f", {values['held']} of them as far as the quantity goes" if values["held"] else ""
    if count == of:
        count = f"none of {of}" if of > 1 else "not the one"
        return f"{count} assumed sizes, means and effects overturns the verdict on {subject!r} within 10 times{held}"
    return f"{count} of {of} moves of assumed quantities do not overturn it within 10 times{held}"


def pair(subject: str, values: Plain, action: str) -> str:
    """Two quantities that turn the verdict together."""
    first, second = (
        f"{_WHAT[part['measure']].format(part['subject'])} at {value_text(part['value'], part['measure'])}"
        for part in values["parts"]
    )
    score = values["score"]
    return f"together: {first} with {second}, each {score['value']:.2g} standard scores away"


def scale_of(values: tuple[float | None, ...], unit: str) -> numbers.Scale:
    """Unit in which numbers of a quantity are shown: in percent where plain ones are small."""
    there = [abs(v) for v in values if v is not None]
    if not unit:
        percent = bool(there) and max(there) <= MOST_AS_PERCENT
        return numbers.Scale(100.0, "%") if percent else numbers.Scale(1.0, "")
    head, slash, rest = unit.partition("/")
    if slash and head != "1":
        # the prefix belongs to the first unit: nV/K
        found = numbers.scale_for(there, head)
        return numbers.Scale(found.factor, f"{found.unit}/{rest}")
    return numbers.scale_for(there, unit)


def unit_of(unit: str, measure: str) -> str:
    """Unit of a number: a deviation from a temperature is in K."""
    sized = measure in ("half width", "standard deviation")
    label = units.of_deviation(unit) if unit and unit != "%" else unit
    return "degC" if unit == "degC" and not sized else label


def value_text(number: Plain, measure: str) -> str:
    """A turning value to the digits that its interval supports."""
    value, low, high = number["value"], number["low"], number["high"]
    unit = unit_of(number["unit"], measure)
    scale = scale_of((value, low, high), unit)
    if low is None or high is None:
        return numbers.plain(value, digits=3, scale=scale)
    return numbers.value_only(value, low, high, scale=scale)


def interval_text(number: Plain, measure: str) -> str:
    """Interval of a turning value; 'from 2 mV' where an end was not found within the range."""
    value, low, high = number["value"], number["low"], number["high"]
    unit = unit_of(number["unit"], measure)
    scale = scale_of((value, low, high), unit)
    if low is not None and high is not None:
        return numbers.interval(low, high, scale=scale)
    if low is not None:
        return f"from {numbers.plain(low, digits=3, scale=scale)}"
    return "open" if high is None else f"up to {numbers.plain(high, digits=3, scale=scale)}"


def assumed_text(values: Plain) -> str:
    """What is assumed: the size, or the value with its band."""
    number, measure = values["assumed"], values["measure"]
    unit = unit_of(number["unit"], measure)
    scale = scale_of((number["value"], number["low"], number["high"]), unit)
    if measure == "true value":
        bare = numbers.Scale(scale.factor, "")
        low, high = (numbers.plain(number[end], digits=4, scale=bare) for end in ("low", "high"))
        return numbers.join(f"{low} to {high}", scale.unit)
    return numbers.plain(number["value"], digits=4, scale=scale)


def distance_text(values: Plain) -> str:
    """How far the turning value is from what is assumed."""
    score, multiple = values["score"]["value"], values["multiple"]
    if multiple is not None:
        return f"{multiple:.2g} times"
    return f"{score:.2g} standard deviations"
