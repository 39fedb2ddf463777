"""From what the models complain of to faults that an engineer can act on."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from pydantic import BaseModel, ValidationError

from margin.case import units
from margin.case.faults import Fault, ValueFault, as_written, choices, nearest
from margin.case.schema import REQUIRED_TABLES, kinds_of, quantities_of
from margin.case.types import ROLES, Role
from margin.chain.parameter import options_of, parameters_of

Location = tuple[int | str, ...]

_EXAMPLES: dict[tuple[str, str], str] = {
    ("load", "range"): '"2 N to 60 N"',
    ("requirement", "permissible_error"): '"larger of 6 % of reading and 1 % of span"',
    ("calibration", "kind"): '"two-point"',
    ("dependence", "between"): '["sensor.sensitivity", "sensor.exponent"]',
    ("dependence", "rank_correlation"): "-0.6",
    ("shared", "keys"): '["circuit.internal_resistor", "circuit.gain_resistor"]',
    ("use.condition", "name"): '"cold"',
}


def faults_of(
    error: ValidationError,
    table: str,
    raw: Any,
    model: type[BaseModel],
    file: str,
    but: tuple[str, ...] = (),
) -> Iterable[Fault]:
    """Faults of one top-level table, `but` those of these types."""
    for detail in error.errors(include_url=False):
        if detail["type"] not in but:
            yield _fault(dict(detail), table, raw, model, file)


def unknown_table(name: str, value: Any, known: Iterable[str], file: str) -> Fault:
    """Fault for a table, or a stray key, at the top of the file."""
    known = list(known)
    near = nearest(name, known)
    if isinstance(value, dict | list):
        mend = f"did you mean [{near}]?" if near else f"tables are {', '.join(known)}"
        return Fault(file, name, "", None, "unknown table", mend)
    return Fault(
        file, "", name, value, "a key outside of any table", "put it below the [table] that it belongs to"
    )


def missing_table(name: str, file: str) -> Fault:
    """Fault for a table that every case needs."""
    return Fault(
        file, name, "", None, "missing", f"a case needs {', '.join(f'[{t}]' for t in REQUIRED_TABLES)}"
    )


def _fault(detail: Mapping[str, Any], table: str, raw: Any, model: type[BaseModel], file: str) -> Fault:
    location = _without_tag(tuple(detail["loc"]), table, raw)
    kind, value, context = detail["type"], detail["input"], detail.get("ctx", {})
    shown, key, rest = _place(table, location)
    if kind == "union_tag_invalid":
        known = kinds_of(next(role for role in ROLES if role == table))
        return Fault(file, table, "kind", raw.get("kind"), "unknown kind", f"write {choices(known)}")
    if kind == "union_tag_not_found":
        known = kinds_of(next(role for role in ROLES if role == table))
        return Fault(file, table, "kind", None, "missing", f"write kind = {choices(known)}")
    if not key:
        wanted = "a list of tables, written with double brackets" if kind == "list_type" else "a table"
        return Fault(file, "", shown, value, f"must be {wanted}", f"write {_heading(shown, kind)}")
    if kind == "missing":
        return Fault(
            file, shown, key, None, "missing", f"write for example {key} = {_example(table, key, raw)}"
        )
    if kind == "extra_forbidden":
        return Fault(file, shown, key, value, "unknown key", _known_key(table, key, raw, model, rest))
    if kind == "value_error" and isinstance(context.get("error"), ValueFault):
        found: ValueFault = context["error"]
        return Fault(file, shown, key, value, found.reason, found.mend)
    reason, mend = _plain(kind, context)
    return Fault(file, shown, key, value, reason, mend)


def _heading(shown: str, kind: str) -> str:
    return (
        f"[[{shown}]]"
        if kind == "list_type" or shown.split()[0] in ("calibration", "shared", "dependence")
        else f"[{shown}]"
    )


def _without_tag(location: Location, table: str, raw: Any) -> Location:
    """The models put the kind of an element into the location; the file has no such key."""
    if table in ROLES and location and isinstance(raw, dict):
        several = len(kinds_of(next(role for role in ROLES if role == table))) > 1
        if several and location[0] == raw.get("kind"):
            return location[1:]
    return location


def _place(table: str, location: Location) -> tuple[str, str, Location]:
    """Table as shown, key within it, and what is left of the location."""
    shown = table
    if location and isinstance(location[0], int):
        shown, location = f"{table} {location[0] + 1}", location[1:]
    if (
        table == "use"
        and location[:1] == ("condition",)
        and len(location) > 1
        and isinstance(location[1], int)
    ):
        shown, location = f"use.condition {location[1] + 1}", location[2:]
    key = str(location[0]) if location else ""
    return shown, key, location[1:]


def _example(table: str, key: str, raw: Any) -> str:
    if (table, key) in _EXAMPLES:
        return _EXAMPLES[table, key]
    if table == "use" and key == "name":
        return _EXAMPLES["use.condition", "name"]
    for role in ROLES:
        if role != table or not isinstance(raw, dict):
            continue
        kinds = kinds_of(role)
        cls = kinds.get(raw.get("kind", next(iter(kinds))))
        if cls is None:
            break
        if key in quantities_of(cls):
            return as_written(units.example(parameters_of(cls)[key].unit) or "1")
        declared = options_of(cls).get(key)
        if declared is not None:
            return as_written(declared.choices[0]) if declared.choices else _example_of(declared.kind)
    return "..."


def _example_of(kind: type) -> str:
    return {int: "12", bool: "true", tuple: '["2 N", "10 N"]', float: "1.0"}.get(kind, '"..."')


def _known_key(table: str, key: str, raw: Any, model: type[BaseModel], rest: Location) -> str:
    known = [field.alias or name for name, field in model.model_fields.items()]
    known += ["from"] if table == "sensor" else []
    if table in ROLES and not _has(next(role for role in ROLES if role == table), key):
        elsewhere = [role for role in ROLES if _has(role, key)]
        if elsewhere:
            return f"it is a key of {' and '.join(f'[{role}]' for role in elsewhere)}"
    if table in ROLES and isinstance(raw, dict):
        own = kinds_of(next(role for role in ROLES if role == table)).get(str(raw.get("kind", "")))
        for name, declared in parameters_of(own).items() if own is not None else ():
            if declared.figure is not None and key in (declared.figure, declared.figure.removeprefix("non")):
                return f"{declared.figure} is stated by the key {name}"
    near = nearest(key, known)
    if near:
        return f'did you mean "{near}"?'
    others: list[str] = []
    for role in ROLES:
        if role == table:
            others = [
                kind
                for kind, cls in kinds_of(role).items()
                if key in quantities_of(cls) or key in options_of(cls)
            ]
    if others:
        return f"a key of kind {choices(others)}"
    return f"keys are {', '.join(known)}"


def _has(role: Role, key: str) -> bool:
    """Whether any kind of a role has this key."""
    return any(key in quantities_of(cls) or key in options_of(cls) for cls in kinds_of(role).values())


_TYPES: dict[str, tuple[str, str]] = {
    "int_type": ("must be a whole number", "write it without quotes and without a point"),
    "int_from_float": ("must be a whole number", "write it without a point"),
    "float_type": ("must be a plain number", "write it without quotes and unit"),
    "finite_number": ("must be a finite number", ""),
    "bool_type": ("must be true or false", "write it without quotes"),
    "date_type": ("must be a date", "write it without quotes, such as 2025-11-25"),
    "string_pattern_mismatch": ("is not a SHA-256 hash", "it has 64 hexadecimal digits"),
    "string_type": ("must be a text", "write it in quotes"),
    "list_type": ("must be a list", "write it in square brackets"),
    "model_type": ("must be a table", ""),
    "model_attributes_type": ("must be a table", ""),
    "dict_type": ("must be a table", ""),
    "int_parsing_size": ("is too large", ""),
}


def _plain(kind: str, context: Mapping[str, Any]) -> tuple[str, str]:
    if kind in _TYPES:
        return _TYPES[kind]
    if kind == "literal_error":
        return "is not one of the choices", f"write {str(context['expected']).replace(chr(39), chr(34))}"
    limits = {
        "greater_than_equal": ("must be at least", "ge"),
        "less_than_equal": ("must be at most", "le"),
        "greater_than": ("must be above", "gt"),
        "less_than": ("must be below", "lt"),
    }
    if kind in limits:
        words, name = limits[kind]
        return f"{words} {context[name]}", ""
    if kind in ("too_short", "too_long"):
        wanted = context.get("min_length", context.get("max_length"))
        return f"has {context['actual_length']} entries", f"write {wanted}"
    if kind == "string_too_short":
        return "is empty", "write a text"
    if kind == "string_too_long":
        return "is too long", f"write at most {context['max_length']} characters"
    return "cannot be read", ""
