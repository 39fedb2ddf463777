"""Fingerprint of a study, which distinguishes its blocks from those of another: content and code."""

from __future__ import annotations

import dataclasses
import hashlib
import importlib.metadata
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from scipy.special import gammaincinv, ndtri

import distributions
from distributions import Distribution
from margin.case.types import Case, Quantity, Spread, StudySpec
from margin.version import version

Plain = str | int | float | None

_LEFT_OUT: dict[type, frozenset[str]] = {
    Case: frozenset({
        "name", "path", "notes", "data", "defaults", "readings", "assumed", "elements_from", "source", "changed",
        "own_elements",
    }),
    StudySpec: frozenset({"units", "seed"}),
    Quantity: frozenset({"unit", "defaulted", "cause", "grades", "band"}),
    Spread: frozenset({"read_as"}),
}  # fmt: skip
"""Fields that change no draw, or that are told apart by themselves."""


@lru_cache(maxsize=1)
def environment() -> dict[str, str]:
    """Versions and code of what computes, and a digest of its arithmetic: where all are equal, bits are.

    Libraries choose their exponentials and logarithms by the processor, and these differ in the last bit; so
    the digest is that of values of the functions that a study uses.
    """
    u = np.arange(1, 4096) / 4096.0
    values = (np.exp(u), np.log(u), u**0.85, np.sin(u), np.arctan(u), ndtri(u), gammaincinv(2.5, u))
    arithmetic = hashlib.sha256(b"".join(value.tobytes() for value in values)).hexdigest()[:16]
    libraries = {name: importlib.metadata.version(name) for name in ("numpy", "scipy")}
    return {"margin": version(), "code": _code(), **libraries, "arithmetic": arithmetic}


def _code() -> str:
    """Digest of the source of what computes errors: it may differ where the version does not."""
    home = Path(__file__).parents[1]
    roots = [home / name for name in ("case", "chain", "calibration", "propagation", "backends")]
    digest = hashlib.sha256()
    for root in (*roots, Path(distributions.__file__).parent):
        for file in sorted(root.rglob("*.py")):
            digest.update(file.read_bytes().replace(b"\r\n", b"\n"))
    return digest.hexdigest()[:16]


def content_of(case: Case) -> dict[str, Plain]:
    """All that the errors of a case depend on but units and seed, flat, by dotted key.

    Keys of quantities read as in a case file: 'circuit.feedback.nominal'.
    """
    found = dict(_flat("", case))
    return {key.removeprefix("elements.").replace(".quantities.", "."): found[key] for key in sorted(found)}


def _flat(key: str, value: Any) -> Iterator[tuple[str, Plain]]:
    if isinstance(value, np.ndarray | np.generic):
        value = value.tolist()
    parts: dict[str, Any]
    if isinstance(value, type):
        yield key, f"{value.__module__}.{value.__qualname__}"
        return
    if dataclasses.is_dataclass(value):
        left_out = _LEFT_OUT.get(type(value), frozenset())
        parts = {f.name: getattr(value, f.name) for f in dataclasses.fields(value) if f.name not in left_out}
        if isinstance(value, Distribution):
            parts["shape"] = type(value).__name__
    elif isinstance(value, dict):
        parts = value
    elif isinstance(value, list | tuple):
        parts = {"count": len(value)} | {str(number): part for number, part in enumerate(value, 1)}
    else:
        yield key, value if value is None or isinstance(value, str | int | float) else repr(value)
        return
    for name, part in parts.items():
        yield from _flat(f"{key}.{name}" if key else name, part)
