"""A case with other values, read and checked anew."""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Mapping
from typing import Any

from margin.case.faults import CaseError, Fault, choices
from margin.case.load import read_case
from margin.case.types import Case


def with_changes(case: Case, changes: Mapping[str, Any]) -> Case:
    """The case with other values, read and checked anew.

    changes  by dotted key as in the file: 'circuit.feedback': '33 kohm +/- 1 %', 'study.units': 5000,
             'use.condition.cold.temperature': '-10 degC', 'calibration.two-point.loads': ['5 N', '50 N']
             (entries of a list of tables by name, or by number from 1). A value replaces the whole old one,
             so that a tolerance that is not repeated is gone; None takes the key out. A text that is a TOML
             number, boolean, list or table counts as that, as on a command line.

    Raises CaseError for keys and values that the file could not have either.
    """
    raw = copy.deepcopy(case.source)
    file = str(case.path) if case.path is not None else "case"
    faults: list[Fault] = []
    for key, value in changes.items():
        try:
            _set(raw, key.split("."), _typed(value))
        except LookupError as error:
            faults.append(
                Fault(file, "", key, value, str(error.args[0]), "write table.key, such as circuit.feedback")
            )
    if faults:
        raise CaseError(faults)
    return read_case(raw, case.path, case.model)


def _typed(value: Any) -> Any:
    if not isinstance(value, str):
        return copy.deepcopy(value)
    try:
        return tomllib.loads(f"value = {value}")["value"]
    except (ValueError, RecursionError):
        return value


def _set(raw: dict[str, Any], keys: list[str], value: Any) -> None:
    """Put `value` at the place of `keys`; LookupError where there is no such place."""
    if len(keys) < 2 or not all(keys):
        raise LookupError("is not a place in the file")
    node: Any = raw
    for depth, key in enumerate(keys[:-1]):
        if isinstance(node, list):
            node = _entry(node, key)
        else:
            # a table that the file leaves out is begun; one that is unknown is refused when it is read
            node = node.setdefault(key, {}) if depth == 0 or key in node else _no_table(key)
        if not isinstance(node, dict | list):
            raise LookupError(f'"{key}" is not a table')
    if isinstance(node, list):
        raise LookupError(f'"{keys[-2]}" is a list of tables')
    if value is None:
        node.pop(keys[-1], None)
    else:
        node[keys[-1]] = value


def _no_table(key: str) -> Any:
    raise LookupError(f'there is no table "{key}" to change')


def _entry(entries: list[Any], key: str) -> Any:
    for entry in entries:
        if isinstance(entry, dict) and entry.get("name", entry.get("kind")) == key:
            return entry
    if key.isdigit() and 1 <= int(key) <= len(entries):
        return entries[int(key) - 1]
    names = [entry.get("name", entry.get("kind", "")) for entry in entries if isinstance(entry, dict)]
    raise LookupError(f'there is no "{key}" in the list, which holds {choices(names) or "nothing"}')
