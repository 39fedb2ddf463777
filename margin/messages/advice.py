"""Sentences of actions that were tried, and of what to do next."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from margin.case.types import Requirement
from margin.estimates import numbers
from margin.messages.requirement import permissible_in_words

Plain = Mapping[str, Any]

_ACTIONS = {
    "gain": "set {subject} to {becomes}",
    "pedestal": "set {subject} to {becomes}",
    "calibration": "calibrate {subject!r} with {becomes}",
    "design curve": "give firmware {becomes} ({subject})",
    "part grade": "buy {subject} at {becomes}",
    "centring": "hold {subject} to {becomes}",
    "station": "hold {subject} to {becomes}",
    "sensors": "have {becomes} on the bench ({subject})",
    "measurement": "have {subject} {becomes}",
}


def action_in_words(action: Plain) -> str:
    """An action as an instruction."""
    return _ACTIONS[action["kind"]].format(subject=action["subject"], becomes=action["becomes"])


def bound_in_words(number: Plain, target: float) -> str:
    """A lower bound with its interval, in digits that keep it on its side of the target: '96 % (94 to 98 %)'."""
    value, low, high = number["value"], number["low"], number["high"]
    shown = numbers.lower_bound(value, low, high, target=target)
    return f"{shown} ({numbers.share_interval(low, high)})"


def first_of_all(values: Plain) -> str:
    """What comes before every other action: taking the circuit off its limits; '' where it is off them."""
    if values["mending"] is not None:
        done = action_in_words(values["mending"]["action"])
        return f"{done}, because readings are at a limit of the circuit; then "
    if values["saturated"]:
        return (
            "take the circuit off its limits first: no gain within a decade does it, so change supply, reference or "
            "load range; then "
        )
    return ""


def reached(values: Plain) -> str:
    """What an option reaches with the action of a trial."""
    trial, target = values["trial"], values["target"]["value"]
    verdict = "is undecided" if trial["verdict"] == "undecided" else trial["verdict"]
    bound = bound_in_words(trial["bound"], target)
    return f"{trial['option']!r} {verdict}, with a lower bound of {bound} against {numbers.percent(target, digits=6)}"


def mending_suffices(subject: str, values: Plain, action: str) -> str:
    """The circuit is off its limits, and the design conforms."""
    done = action_in_words(values["trial"]["action"])
    return f"{done}: readings are at a limit of the circuit; then {reached(values)}"


def action_suffices(subject: str, values: Plain, action: str) -> str:
    """One action with which the design conforms."""
    done = action_in_words(values["trial"]["action"])
    return f"{first_of_all(values)}{done}: then {reached(values)}"


def actions_suffice(subject: str, values: Plain, action: str) -> str:
    """Actions with which the design conforms, or may, together."""
    listed = "; ".join(map(action_in_words, values["actions"]))
    return f"{first_of_all(values)}take together: {listed}. With all of them {reached(values)}"


def no_action_suffices(subject: str, values: Plain, action: str) -> str:
    """The physics that limits, the limit that would pass, and what helps most."""
    parts = ["widen the permissible error or change the design: no action tried suffices"]
    if values["limiting"] is not None:
        parts[0] += f", and {values['limiting']} limits the error"
    limit, together = values["limit"], values["limit_together"]
    if limit is not None:
        said = f"The smallest limit that {subject!r} passes is {_limit(limit)}"
        if together is not None and together["multiple"] < limit["multiple"]:
            said += f", with all actions {_limit(together)}"
        parts.append(said)
    if values["actions"]:
        parts.append(f"What helps most: {'; '.join(map(action_in_words, values['actions']))}")
    return first_of_all(values) + ". ".join(parts)


def _limit(limit: Plain) -> str:
    words = permissible_in_words(Requirement(**limit["requirement"]), limit["span"]["value"])
    return f"{limit['multiple']:g} times the present one ({words})"
