"""The table of actions that were tried."""

from __future__ import annotations

from margin.estimates import numbers
from margin.estimates.advice.result import Advice
from margin.estimates.finding import plain
from margin.estimates.number_columns import bound_column, change_column, estimated, share_column
from margin.messages.advice import action_in_words


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
            else action_in_words(plain(trial.action)),
            share.value,
            change.text,
            bound.text,
            trial.verdict,
        )
        for trial, share, change, bound in zip(found, reached, changes, bounds, strict=True)
    )
