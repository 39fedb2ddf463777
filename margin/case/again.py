"""A case as words of a command line: its file, its own elements, its seed and what was changed in it."""

from __future__ import annotations

import json
import shlex
from collections.abc import Mapping
from typing import Any

from margin.case.types import Case

_SEED, _UNITS, _DRAW = "study.seed", "study.units", "study.draw"


def words_of(
    case: Case, verb: str = "estimate", more: Mapping[str, Any] | None = None, *, seed: bool = False
) -> list[str]:
    """Words that run a command of margin on the case as it is, in words that no shell has read yet.

    verb  the command: 'estimate', 'accept', ...
    more  further changes by dotted key, made after those of the case; one of the same key takes its place
    seed  state the seed also where it is that of the file

    A key that was taken out of the case has no words: a command line has none for it.

    >>> import margin
    >>> case = margin.change("case.toml", {"circuit.feedback": "33 kohm +/- 1 %", "study.seed": 7})
    >>> words_of(case)
    ['margin', 'estimate', 'case.toml', '--seed', '7', '--change', 'circuit.feedback=33 kohm +/- 1 %']
    """
    more = {} if more is None else more
    changes = {key: value for key, value in case.changed if key not in more} | dict(more)
    words = ["margin", verb, str(case.path or "case.toml")]
    for file in case.own_elements:
        words += ["--elements", file]
    if seed or _SEED in changes:
        words += ["--seed", str(changes.pop(_SEED, case.study.seed))]
    if verb == "estimate":
        if _UNITS in changes:
            words += ["--units", str(changes.pop(_UNITS))]
        if changes.get(_DRAW) == "all units":
            del changes[_DRAW]
            words += ["--all-units"]
    for key, value in changes.items():
        if value is not None:
            words += ["--change", f"{key}={value if isinstance(value, str) else toml_of(value)}"]
    return words


def command_of(case: Case, verb: str = "estimate", more: Mapping[str, Any] | None = None) -> str:
    """The same as a line for a POSIX shell."""
    return shlex.join(words_of(case, verb, more))


def toml_of(value: Any) -> str:
    """A value as TOML on one line."""
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {toml_of(each)}" for key, each in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(toml_of, value)) + "]"
    if isinstance(value, bool | str):
        return json.dumps(value, ensure_ascii=False)
    return str(value)
