"""Which elements there are, by role and by the kind that a case file names."""

from __future__ import annotations

import dataclasses

from distributions.errors import MarginError
from margin.chain.circuits import (
    BridgeAmplifier,
    ConstantCurrent,
    Divider,
    InvertingAmplifier,
    NonInvertingAmplifier,
)
from margin.chain.converter import Converter
from margin.chain.firmware import FirmwareElement
from margin.chain.interface import ConcentratorInterface, DirectInterface
from margin.chain.sensors import StrainGaugeBridge, TabulatedCurve, ThinFilm

ELEMENTS: dict[str, dict[str, type]] = {
    "interface": {c.kind: c for c in (DirectInterface, ConcentratorInterface)},
    "sensor": {c.kind: c for c in (ThinFilm, StrainGaugeBridge, TabulatedCurve)},
    "circuit": {
        c.kind: c
        for c in (Divider, InvertingAmplifier, NonInvertingAmplifier, ConstantCurrent, BridgeAmplifier)
    },
    "converter": {Converter.kind: Converter},
    "firmware": {FirmwareElement.kind: FirmwareElement},
}
"""Element classes by role and kind."""

_ASKED: dict[str, tuple[str, ...]] = {
    "interface": ("transmit", "load_from"),
    "sensor": ("output", "force_from"),
    "circuit": (
        "operate", "sensor_voltage", "voltage", "swing", "reference_voltage", "output_from",
    ),
    "converter": ("counts", "code_of_counts", "outside", "voltage_from"),
    "firmware": (),
}  # fmt: skip


class ElementError(MarginError, ValueError):
    """An element that cannot be registered, or that nobody registered."""


def _of_role(role: str) -> dict[str, type]:
    if role not in ELEMENTS:
        raise ElementError(f"no role {role!r} in the chain: use one of {', '.join(ELEMENTS)}")
    return ELEMENTS[role]


def register(role: str, cls: type) -> type:
    """Make an element class of one's own known under its `kind`; returns the class.

    cls is a frozen dataclass with a class variable `kind`, whose quantities are declared by `parameter`,
    `draw` and `option`, their causes and part grades included, and which fulfils the protocol of its role
    (margin.chain.elements).
    Raises ElementError for an unknown role, a missing kind or method, a class that is no dataclass, or a kind
    that another class already has. Registering the same class again changes nothing.

    >>> from dataclasses import dataclass
    >>> from typing import ClassVar
    >>> import margin
    >>> from margin.chain.interface import DirectInterface
    >>> @dataclass(frozen=True)
    ... class Guide(DirectInterface):
    ...     kind: ClassVar[str] = "linear guide"
    >>> margin.register("interface", Guide).kind
    'linear guide'
    """
    known = _of_role(role)
    kind = getattr(cls, "kind", None)
    if not isinstance(kind, str) or not kind:
        raise ElementError(f"{cls.__name__} needs a class variable `kind`: the name that a case file uses")
    if not dataclasses.is_dataclass(cls):
        raise ElementError(f"{cls.__name__} must be a dataclass: its fields are its quantities")
    missing = [name for name in _ASKED[role] if not callable(getattr(cls, name, None))]
    if missing:
        raise ElementError(f"{cls.__name__} cannot serve as {role}: missing are {', '.join(missing)}")
    if known.get(kind, cls) is not cls:
        raise ElementError(
            f"{role} kind {kind!r} is taken by {known[kind].__name__}: give {cls.__name__} another kind"
        )
    known[kind] = cls
    return cls


def element(role: str, kind: str) -> type:
    """Class of a role and kind; ElementError with the kinds there are."""
    known = _of_role(role)
    if kind not in known:
        raise ElementError(f"no {role} of kind {kind!r}: use one of {', '.join(map(repr, known))}")
    return known[kind]
