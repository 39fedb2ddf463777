"""Inputs in which two cases differ, by the dotted key with which a change names them."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from margin.case.types import Case

_LABELS = {"case.name", "case.notes", "case.data"}
"""Keys that name a case and change no number."""


@dataclass(frozen=True)
class ChangedInput:
    """One input: its key, and its value in either case as written; None where the case leaves it out."""

    key: str
    first: str | None
    second: str | None


def changed_inputs(first: Case, second: Case) -> tuple[ChangedInput, ...]:
    """Inputs that differ, in the order of the first case, then those that the second alone states.

    Keys are those of `with_changes`: 'circuit.feedback', 'calibration.two-point.loads'.
    """
    one, two = dict(_flat(first.source)), dict(_flat(second.source))
    return tuple(
        ChangedInput(key, one.get(key), two.get(key))
        for key in dict.fromkeys((*one, *two))
        if key not in _LABELS and one.get(key) != two.get(key)
    )


def _flat(node: Any, path: str = "") -> Iterator[tuple[str, str]]:
    """Dotted key and text of every value; entries of a list of tables go by name, kind or number."""
    if isinstance(node, Mapping):
        for key, value in node.items():
            yield from _flat(value, f"{path}.{key}" if path else str(key))
    elif isinstance(node, list) and node and all(isinstance(entry, Mapping) for entry in node):
        for place, entry in enumerate(node, 1):
            name = entry.get("name", entry.get("kind", place))
            yield from _flat(entry, f"{path}.{name}")
    else:
        yield path, node if isinstance(node, str) else json.dumps(node, ensure_ascii=False, default=str)
