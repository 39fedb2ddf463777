"""What to do next, in words, from the advice of a study."""

from __future__ import annotations

from margin.estimates import numbers
from margin.estimates.advice.limit import widened
from margin.estimates.advice.result import Action, Advice, Trial
from margin.estimates.assumptions import by_weight
from margin.estimates.decision import bound_in_words
from margin.estimates.number_columns import bound_column, change_column, estimated, share_column
from margin.estimates.results import Results
from margin.report.requirement_words import permissible_in_words

MOST_LISTED = 3

_VERBS = {
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


def action_in_words(action: Action) -> str:
    """An action as an instruction."""
    return _VERBS[action.kind].format(subject=action.subject, becomes=action.becomes)


def next_step(results: Results) -> str:
    """What to do next, read off the verdict, the intervals and the actions that were tried."""
    if results.verdict == "undecided":
        return f"draw more units: {results.recommendation.obstacles[0]}"
    if results.advice is not None:
        return _advice_in_words(results.advice, results)
    if not results.conforms:
        return "run the study with its budget: the actions that would help are tried there"
    for weighed in by_weight(results):
        if weighed.resolved:
            return f"measure what is assumed and counts most: {weighed.assumption.text}"
    if results.case.assumptions:
        return "build a pilot lot: no single assumption moves the result within its resolution"
    return "none needed: the requirement is met with what was measured"


def _advice_in_words(advice: Advice, results: Results) -> str:
    first = ""
    if advice.mending is not None:
        done = action_in_words(advice.mending.action)
        if advice.mending.verdict == "conforms":
            return f"{done}: readings are at a limit of the circuit; then {_reaches(advice.mending, results)}"
        first = f"{done}, because readings are at a limit of the circuit; then "
    elif advice.saturated:
        first = (
            "take the circuit off its limits first: no gain within a decade does it, so change supply, reference or "
            "load range; then "
        )
    elif results.exceeded and any(option.conforms for option in results.options):
        return f"change the design so that its check is passed: {results.exceeded[0].name}"
    if advice.sufficient:
        best = advice.sufficient[0]
        return f"{first}{action_in_words(best.action)}: then {_reaches(best, results)}"
    together = advice.together
    if together is not None and together.verdict != "does not conform":
        listed = "; ".join(action_in_words(trial.action) for trial in advice.trials)
        return f"{first}take together: {listed}. With all of them {_reaches(together, results)}"
    return f"{first}{_impossible(advice, results)}"


def _reaches(trial: Trial, results: Results) -> str:
    """What an option reaches with an action."""
    bound, need = trial.bound, results.case.requirement
    verb = {"conforms": "conforms", "undecided": "is undecided", "does not conform": "does not conform"}
    return (
        f"{trial.option!r} {verb[trial.verdict]}, with a lower bound of "
        f"{bound_in_words(bound, need.target)} against {numbers.percent(need.target, digits=6)}"
    )


def _impossible(advice: Advice, results: Results) -> str:
    """No action suffices: the physics that limits, the limit that would pass, and what helps most."""
    parts = ["widen the permissible error or change the design: no action tried suffices"]
    if advice.limiting is not None:
        parts[0] += f", and {advice.limiting} limits the error"
    if advice.multiple is not None:
        limit = f"the smallest limit that {advice.option!r} passes is {_limit(advice.multiple, results)}"
        together = advice.multiple_together
        if together is not None and together < advice.multiple:
            limit += f", with all actions {_limit(together, results)}"
        parts.append(limit)
    if advice.trials:
        best = [action_in_words(trial.action) for trial in advice.trials[:MOST_LISTED]]
        parts.append(f"what helps most: {'; '.join(best)}")
    return ". ".join(part[0].upper() + part[1:] if number else part for number, part in enumerate(parts))


def _limit(multiple: float, results: Results) -> str:
    case = widened(results.case, multiple)
    words = permissible_in_words(case.requirement, case.span)
    return f"{multiple:g} times the present one ({words})"


def trials_rows(advice: Advice, target: float) -> tuple[tuple[str, ...], ...]:
    """One row a trial: action, yield with it and its change in points, lower bound against `target`, verdict."""
    found = [] if advice.mending is None else [advice.mending]
    found += list(advice.trials)
    found += [] if advice.together is None else [advice.together]
    reached = share_column([estimated(trial.reached) for trial in found])
    changes = change_column(
        [estimated(trial.change) for trial in found],
        numbers.Scale(100.0, ""),
        [trial.resolved for trial in found],
    )
    bounds = bound_column([estimated(trial.bound) for trial in found], target)
    return tuple(
        (
            "all actions below the first change of the circuit, together"
            if trial is advice.together
            else action_in_words(trial.action),
            share.value,
            change.text,
            bound.text,
            trial.verdict,
        )
        for trial, share, change, bound in zip(found, reached, changes, bounds, strict=True)
    )
