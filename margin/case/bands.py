"""Plausible bands of quantities that a case leaves unstated, from a table that the engineer may edit."""

from __future__ import annotations

import tomllib
from collections.abc import Container, Iterator, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

from margin.case.faults import CaseError, Fault, ValueFault
from margin.case.files import file_beside, tables_of, text_of
from margin.case.quantity import Place
from margin.case.schema import kinds_of
from margin.case.spread_table import read_any
from margin.case.types import Quantity, Role
from margin.chain.parameter import options_of, parameters_of

SHIPPED = Path(__file__).with_name("plausible_bands.toml")
PLAUSIBLE, ZERO = "plausible bands", "zero"
_KEYS = ("value", "source", "with")
_MEND = 'write such as hysteresis = { value = "2 % to 6 % per common", source = "our bench, 2024" }'


@dataclass(frozen=True)
class Band:
    """What stands for one quantity or choice that a case leaves out.

    quantity  nominal value and spread; None for a choice
    choice    of the element's choices; None for a quantity
    source    where the band comes from
    needs     'use.age': the key without which the band has no effect and is left out; None without one
    written   value as the table has it
    """

    quantity: Quantity | None
    choice: str | None
    source: str
    needs: str | None = None
    written: Any = None


@dataclass(frozen=True)
class Bands:
    """Bands by role, kind (see `kind_in_table`) and key; empty where a case asks for zero."""

    entries: Mapping[tuple[str, str], Mapping[str, Band]] = field(default_factory=dict)

    def of(
        self, role: Role, kind: str, options: Mapping[str, Any], stated: Container[str]
    ) -> Mapping[str, Band]:
        """Bands of an element by key, without those of stated keys and those that have no effect in this case.

        stated  keys of the case with their table: 'sensor.creep', 'use.age'
        """
        found = self.entries.get((role, kind_in_table(role, kind, options)), {})
        return {
            key: band
            for key, band in found.items()
            if f"{role}.{key}" not in stated and (band.needs is None or band.needs in stated)
        }


def kind_in_table(role: str, kind: str, options: Mapping[str, Any]) -> str:
    """Kind as the table has it: a tabulated sensor is known by what its outputs are ('tabulated ratio')."""
    if role == "sensor" and kind == "tabulated":
        return f"tabulated {options.get('output_kind', 'conductance')}"
    return kind


def bands_for(unstated: str, path: Path | None, file: str) -> Bands:
    """The bands that `[case] unstated` asks for.

    unstated  'plausible bands', 'zero', or the name of a table of the engineer's own, relative to the case
    path      the case file, beside which that table is looked for
    file      name of the case in messages

    Raises CaseError with all faults of the table.
    """
    if unstated == ZERO:
        return Bands()
    shipped = _shipped(tuple(kinds_of("sensor").items()))
    if unstated == PLAUSIBLE:
        return Bands(shipped)
    if not unstated.endswith(".toml") or "\0" in unstated:
        reason = "is neither of the two words nor a TOML file"
        mend = f'write "{PLAUSIBLE}", "{ZERO}", or a file such as "our_bands.toml"'
        raise CaseError([Fault(file, "case", "unstated", unstated, reason, mend)])
    place = file_beside(path, unstated, file=file, table="case", key="unstated")
    own = _read(tables_of(text_of(place), str(place)), str(place))
    return Bands(
        {key: {**shipped.get(key, {}), **own.get(key, {})} for key in dict.fromkeys((*shipped, *own))}
    )


def band_texts(kind: str) -> dict[str, str]:
    """Shipped bands of a kind of sensor by key: '0 % to 2 % per common with use.age'."""
    found = _shipped(tuple(kinds_of("sensor").items())).get(("sensor", kind), {})
    return {
        key: f"{band.written}" + ("" if band.needs is None else f" with {band.needs}")
        for key, band in found.items()
    }


def without_effect(kind: str, stated: Container[str]) -> frozenset[str]:
    """Keys of a kind of sensor that act only beside another key of it which the case leaves out."""
    found = _shipped(tuple(kinds_of("sensor").items())).get(("sensor", kind), {})
    return frozenset(
        key
        for key, band in found.items()
        if band.needs is not None and band.needs.startswith("sensor.") and band.needs not in stated
    )


@lru_cache(maxsize=8)
def _shipped(kinds: tuple[tuple[str, type], ...]) -> Mapping[tuple[str, str], Mapping[str, Band]]:
    """The shipped table, read once for the kinds of sensor known: most of the time of reading a case otherwise."""
    return _read(tomllib.loads(SHIPPED.read_text(encoding="utf-8")), SHIPPED.name)


def _read(tables: Mapping[str, Any], file: str) -> dict[tuple[str, str], dict[str, Band]]:
    found: dict[tuple[str, str], dict[str, Band]] = {}
    faults: list[Fault] = []
    for role, kind, entries in _sections(tables, file, faults):
        cls = _class_of(role, kind)
        if cls is None:
            known = [k for k in kinds_of(role) if k != "tabulated"]
            known += ["tabulated conductance", "tabulated ratio"] if role == "sensor" else []
            mend = f"write one of {', '.join(known)}"
            faults.append(Fault(file, role, kind, None, "is not a kind that is known", mend))
            continue
        read: dict[str, Band] = {}
        for key, entry in entries.items():
            try:
                read[key] = _band(role, cls, key, entry)
            except ValueFault as fault:
                table = f"{role}.{kind}" if role != "use" else role
                faults.append(Fault(file, table, key, entry, fault.reason, fault.mend or _MEND))
        found[role, kind] = read
    if faults:
        raise CaseError(faults)
    return found


def _sections(
    tables: Mapping[str, Any], file: str, faults: list[Fault]
) -> Iterator[tuple[Role, str, dict[str, Any]]]:
    """(role, kind, entries) of each table of bands."""
    for name, table in tables.items():
        if name not in ("sensor", "use") or not isinstance(table, dict):
            mend = 'write [sensor."thin film"] or [use]'
            faults.append(Fault(file, name, "", None, "is not a table of bands", mend))
        elif name == "use":
            yield "use", "use", table
        else:
            for kind, entries in table.items():
                if isinstance(entries, dict):
                    yield "sensor", kind, entries
                else:
                    mend = 'write [sensor."thin film"] above the entries'
                    faults.append(Fault(file, name, kind, entries, "is not a table of bands", mend))


def _class_of(role: Role, kind: str) -> type | None:
    plain = "tabulated" if role == "sensor" and kind in ("tabulated conductance", "tabulated ratio") else kind
    return kinds_of(role).get(plain) if plain == kind or plain == "tabulated" else None


def _band(role: Role, cls: type, key: str, entry: Any) -> Band:
    if not isinstance(entry, dict) or set(entry) - set(_KEYS) or "value" not in entry:
        raise ValueFault("is not a table with value and source", _MEND)
    source, needs = entry.get("source", "no source stated"), entry.get("with")
    if not isinstance(source, str):
        raise ValueFault("its source is not a text", _MEND)
    if needs is not None and not isinstance(needs, str):
        raise ValueFault("its with is not a key", 'write such as with = "use.age", or leave it out')
    choice = options_of(cls).get(key)
    if choice is not None and choice.choices is not None:
        if entry["value"] not in choice.choices:
            raise ValueFault("is none of the choices", f"write one of {', '.join(map(str, choice.choices))}")
        return Band(None, str(entry["value"]), source, needs, entry["value"])
    declared = parameters_of(cls).get(key)
    if declared is None or declared.draw is not None:
        raise ValueFault("is not a quantity of this kind", "leave it out")
    if declared.default is None:
        raise ValueFault("has no band: every case must state it", "leave it out")
    quantity = read_any(entry["value"], Place(role, key, declared))
    return Band(quantity, None, source, needs, entry["value"])
