"""A case with other values, read and checked anew."""

from __future__ import annotations

import copy
import dataclasses
import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

from margin.case.faults import CaseError, Fault, ValueFault, nearest
from margin.case.load import read_case
from margin.case.loads import DEFAULT_KINDS
from margin.case.types import Case

EXAMPLE = "write table.key, such as circuit.feedback, calibration.two-point.reloads or use.condition.cold.temperature"


def with_changes(case: Case, changes: Mapping[str, Any]) -> Case:
    """The case with other values, read and checked anew.

    changes  by dotted key as in the file: 'circuit.feedback': '33 kohm +/- 1 %', 'study.units': 5000,
             'use.condition.cold.temperature': '-10 degC', 'calibration.two-point.loads': ['5 N', '50 N'],
             'calibration.2.reloads': 5. An entry of a list of tables goes by its name, that of a calibration
             option by default its kind, written with or without hyphens, or by its number from 1; the options that a
             case without [[calibration]] is given go by their kinds. A value replaces the whole old one, so that a
             tolerance that is not repeated is gone; None takes the key out. A whole table is replaced by its name:
             'circuit': {'kind': ...}, as a text '{ kind = "...", ... }'. A text that is a TOML number, boolean,
             list or table counts as that, as on a command line.

    Raises CaseError for keys and values that the file could not have either.
    """
    raw = copy.deepcopy(case.source)
    file = str(case.path) if case.path is not None else "case"
    faults: list[Fault] = []
    for key, value in changes.items():
        try:
            _set(raw, key.split("."), _typed(value))
        except ValueFault as fault:
            faults.append(Fault(file, "", key, value, fault.reason, fault.mend))
    if faults:
        raise CaseError(faults)
    before = {key: value for key, value in case.changed if key not in changes}
    return dataclasses.replace(
        read_case(raw, case.path, case.model),
        changed=(*before.items(), *((key, copy.deepcopy(value)) for key, value in changes.items())),
        own_elements=case.own_elements,
    )


def _typed(value: Any) -> Any:
    if not isinstance(value, str):
        return copy.deepcopy(value)
    try:
        return tomllib.loads(f"value = {value}")["value"]
    except (ValueError, RecursionError):
        return value


def _set(raw: dict[str, Any], keys: list[str], value: Any) -> None:
    """Put `value` at the place of `keys`; ValueFault where there is no such place."""
    if len(keys) == 1 and keys[0] and isinstance(value, dict):
        raw[keys[0]] = value
        return
    if len(keys) < 2 or not all(keys):
        raise ValueFault("is not a place in the file", EXAMPLE)
    if keys[0] == "calibration" and not raw.get("calibration"):
        raw["calibration"] = [{"kind": kind} for kind in DEFAULT_KINDS]
    node: Any = raw
    path, rest = "", keys
    while len(rest) > 1:
        if isinstance(node, list):
            node, rest = _entry(node, rest, path)
        else:
            # a table that the file leaves out is begun; one that is unknown is refused when it is read
            key, rest = rest[0], rest[1:]
            node = node.setdefault(key, {}) if not path or key in node else _no_table(key, path, node)
            path = f"{path}.{key}" if path else key
        if not isinstance(node, dict | list):
            raise ValueFault(f'"{path}" is not a table', EXAMPLE)
    if isinstance(node, list):
        raise ValueFault(
            f'"{path}" is a list of tables', f"write {path}.NAME.key, where NAME is {_named(node)}"
        )
    if value is None:
        node.pop(rest[0], None)
    else:
        node[rest[0]] = value


def _no_table(key: str, path: str, node: Mapping[str, Any]) -> Any:
    tables = [name for name, value in node.items() if isinstance(value, dict | list)]
    if path == "use" and key == "condition":
        raise ValueFault("the case names no conditions of use", "add [[use.condition]] to the file")
    there = f"tables in [{path}] are {', '.join(tables)}" if tables else EXAMPLE
    raise ValueFault(f'there is no table "{key}" in [{path}] to change', there)


def _entry(entries: list[Any], rest: list[str], path: str) -> tuple[Any, list[str]]:
    """Entry of a list of tables that the next keys name, and the keys that are left; a name may have points in it."""
    for count in range(len(rest) - 1, 0, -1):
        wanted = ".".join(rest[:count])
        exact = [entry for entry in entries if _name(entry) == wanted]
        alike = [entry for entry in entries if _plain(_name(entry)) == _plain(wanted)]
        for found in (exact, alike):
            if len(found) == 1:
                return found[0], rest[count:]
        if exact or alike:
            raise ValueFault(
                f'several entries of [[{path}]] are called "{wanted}"', f"write its number: {_named(entries)}"
            )
    number = rest[0]
    if number.isdecimal() and 1 <= int(number[:6]) <= len(entries) and len(number) <= 6:
        return entries[int(number) - 1], rest[1:]
    near = nearest(number, [_name(entry) for entry in entries])
    guess = f'did you mean "{near}"? ' if near else ""
    noun, nouns = ("option", "options") if path == "calibration" else ("entry", "entries")
    raise ValueFault(f'there is no {noun} "{number}" in [[{path}]]', f"{guess}{nouns} are {_named(entries)}")


def _name(entry: Any) -> str:
    """Name of an entry, or its kind; '' where it has neither."""
    return str(entry.get("name", entry.get("kind", ""))) if isinstance(entry, dict) else ""


def _plain(name: str) -> str:
    return " ".join(name.lower().replace("-", " ").split())


def _named(entries: Sequence[Any]) -> str:
    """'1 "none", 2 "two-point"': what an entry goes by."""
    found = [f'{i} "{_name(entry)}"' if _name(entry) else str(i) for i, entry in enumerate(entries, 1)]
    return ", ".join(found) if found else "nothing"
