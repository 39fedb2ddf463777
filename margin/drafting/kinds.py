"""Which circuit reads which sensor, and what is shown for the kinds that a draft may name."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

from distributions.errors import InvalidArgument
from margin.case.bands import kind_in_table
from margin.case.types import Role
from margin.chain.parameter import options_of
from margin.chain.registry import ELEMENTS

EXAMPLES = Path(__file__).with_name("examples.toml")
ANY = "any"


@lru_cache(maxsize=1)
def _shown() -> Mapping[str, Any]:
    found: dict[str, Any] = tomllib.loads(EXAMPLES.read_text(encoding="utf-8"))
    return found


def shown_values(
    what: Literal["example", "typical"], role: Role, kind: str, options: Mapping[str, Any]
) -> dict[str, Any]:
    """Values by key as a case file has them: of every kind of the role, then of this one.

    options  choices of the element, of which a tabulated sensor is known by its outputs
    """
    tables = _shown()[what].get(role, {})
    return {**tables.get(ANY, {}), **tables.get(kind_in_table(role, kind, options), {})}


def output_kinds(cls: type) -> tuple[str, ...] | None:
    """What a sensor of this class may put out; None where only an instance tells."""
    option = options_of(cls).get("output_kind")
    if option is not None and option.choices is not None:
        return tuple(map(str, option.choices))
    stated = getattr(cls, "output_kind", None)
    return (stated,) if isinstance(stated, str) else None


def reads(circuit: type, sensor: type) -> bool:
    """Whether a circuit of this class accepts what such a sensor puts out."""
    kinds = output_kinds(sensor)
    return kinds is None or getattr(circuit, "accepts", None) in kinds


def accepting(sensor: type) -> list[str]:
    """Kinds of circuits that read a sensor of this class."""
    return [kind for kind, circuit in ELEMENTS["circuit"].items() if reads(circuit, sensor)]


def known_pairs() -> str:
    """'thin film: voltage divider, inverting amplifier, ...', one line for each kind of sensor."""
    width = max(map(len, ELEMENTS["sensor"]))
    lines = (f"  {kind:{width}}  {', '.join(accepting(cls))}" for kind, cls in ELEMENTS["sensor"].items())
    return "\n".join(("Sensors, each with the circuits that accept it:", *lines))


def class_named(role: Literal["interface", "sensor", "circuit"], kind: str) -> type:
    """The element class of a kind. ValueError with the kinds there are, and which of them fit each other."""
    known = ELEMENTS[role]
    if kind in known:
        return known[kind]
    listed = known_pairs() if role != "interface" else f"Interfaces: {', '.join(known)}"
    raise InvalidArgument(f"no {role} of kind {kind!r}.\n{listed}")


def require_pair(sensor: str, circuit: str) -> None:
    """ValueError unless the circuit accepts such a sensor."""
    if not reads(class_named("circuit", circuit), class_named("sensor", sensor)):
        raise InvalidArgument(f"circuit {circuit!r} does not accept sensor {sensor!r}.\n{known_pairs()}")
