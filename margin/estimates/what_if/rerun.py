"""The command that runs a moved case: changes of the case as text, written where the reader moved something."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from distributions import Normal
from margin.case import units
from margin.case.changes import with_changes
from margin.case.faults import CaseError
from margin.case.requirement import TITLES
from margin.case.types import Case, Quantity, Requirement
from margin.estimates.what_if.movable import Movable
from margin.propagation.factors import Factor, factors_of, spread_factors

Array = NDArray[np.float64]

TRIED = (1.25, 0.125)
"""Scale and shift with which a change is tried before it is offered."""

DIGITS = 6


def plain_number(value: float) -> str:
    """A number of six significant digits without an exponent."""
    rounded = float(f"{value:.{DIGITS}g}")
    text = format(Decimal(repr(rounded)), "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def limit_parts(requirement: Requirement) -> dict[str, Any]:
    """Parts of the permissible error as written, with their numbers: what a multiple of it multiplies."""
    parts = [
        {"number": 100.0 * getattr(requirement, name), "unit": f"% {title}"}
        for name, title in TITLES.items()
        if getattr(requirement, name) > 0.0
    ]
    if requirement.absolute > 0.0:
        parts.append({"number": requirement.absolute, "unit": "N"})
    return {"combine": requirement.combine, "parts": parts}


def limit_text(limit: Mapping[str, Any], multiple: float) -> str:
    """The permissible error, multiplied, as a case states it."""
    parts = [f"{plain_number(p['number'] * multiple)} {p['unit']}" for p in limit["parts"]]
    if len(parts) == 1:
        return parts[0]
    return f"{limit['combine']} of {', '.join(parts[:-1])} and {parts[-1]}"


def shown_unit(value: float, unit: str, relative: bool) -> tuple[str, float]:
    """Unit in which a deviation is written, and its size: the deviation is so many times the number written."""
    if relative:
        return "%", 0.01
    declared = "delta_degC" if unit == "degC" else unit
    shown = units.show(value, declared).rpartition(" ")[2] if declared else ""
    return shown, units.difference_to_si(Fraction(1), shown, unit) if shown else 1.0


def quantities_of(case: Case, movables: Sequence[Movable]) -> list[dict[str, Any]]:
    """What each movable quantity is changed to: key, nominal value, spreads, and which movable moves what.

    A quantity whose change, tried, does not give the moved case is left out: no command is offered for it.
    """
    found = list(_quantities(case, movables))
    if not found or _gives(case, movables, found):
        return found
    return [each for each in found if _gives(case, movables, [each])]


def _quantities(case: Case, movables: Sequence[Movable]) -> Iterator[dict[str, Any]]:
    places = {f.name: k for k, each in enumerate(movables) for f in each.factors}
    scaling = {
        f"{f.role}.{f.scales}": k
        for k, each in enumerate(movables)
        for f in each.factors
        if f.standardised and f.scales is not None
    }
    for spec in case.elements.values():
        for field, quantity in spec.quantities.items():
            yield from _quantity(f"{spec.role}.{field}", quantity, None, places, scaling)
    for condition in case.conditions:
        for field, quantity in condition.quantities.items():
            key = f"use.condition.{condition.name}.{field}"
            yield from _quantity(key, quantity, condition.name, places, scaling)


def _quantity(
    key: str,
    quantity: Quantity,
    condition: str | None,
    places: Mapping[str, int],
    scaling: Mapping[str, int],
) -> Iterator[dict[str, Any]]:
    if quantity.shared_with is not None:
        return
    factors = spread_factors(quantity, key.split(".")[0], condition)  # type: ignore[arg-type]
    moved = [places.get(f.name, -1) for f in factors]
    scaled = scaling.get(quantity.name, -1) if condition is None else -1
    if scaled < 0 and all(k < 0 for k in moved):
        return
    label = units.show(quantity.nominal, quantity.unit).rpartition(" ")[2] if quantity.unit else ""
    one = units.to_si(Fraction(1), label, quantity.unit) if label and quantity.unit != "degC" else 1.0
    spreads = [_spread(factor, quantity.unit, k) for factor, k in zip(factors, moved, strict=True)]
    if any(each is None for each in spreads):
        return
    yield {
        "key": key, "nominal": quantity.nominal / one, "unit": label, "scaled": scaled, "spreads": spreads,
    }  # fmt: skip


def _spread(factor: Factor, unit: str, moved: int) -> dict[str, Any] | None:
    """One spread as numbers; None for a shape that is not written here."""
    normal = isinstance(factor.distribution, Normal)
    low, high = factor.distribution.support
    if not normal and factor.distribution.title != "rectangular":
        return None
    shown, one = shown_unit(factor.distribution.sd, unit, factor.relative)
    mean = factor.distribution.mean if normal else 0.5 * (low + high)
    size = factor.distribution.sd if normal else 0.5 * (high - low)
    return {
        "level": factor.level, "shape": "normal" if normal else "rectangular", "unit": shown,
        "from": factor.measured_on, "relative": factor.relative, "middle": mean / one, "size": size / one,
        "moved": moved,
    }  # fmt: skip


def change_text(quantity: Mapping[str, Any], scales: Array, shifts: Array) -> str:
    """A quantity, moved, as an inline table of a case."""
    whole = 1.0 if quantity["scaled"] < 0 else float(scales[quantity["scaled"]])
    texts = []
    for each in quantity["spreads"]:
        scale, shift = (1.0, 0.0) if each["moved"] < 0 else (scales[each["moved"]], shifts[each["moved"]])
        factor = 1.0 if each["relative"] else whole
        middle = float((each["middle"] * scale + shift * each["size"]) * factor)
        size = float(each["size"] * scale * factor)
        numbers = (
            (*((("mean", middle),) if middle != 0.0 else ()), ("sd", size))
            if each["shape"] == "normal"
            else (("low", middle - size), ("high", middle + size))
        )
        parts = [f'level = "{each["level"]}"', f'shape = "{each["shape"]}"']
        parts += [f'{name} = "{_with_unit(value, each["unit"])}"' for name, value in numbers]
        parts += [] if each["from"] is None else [f"from_units = {each['from']}"]
        texts.append(f"{{ {', '.join(parts)} }}")
    value = _with_unit(quantity["nominal"] * whole, quantity["unit"])
    return f'{{ value = "{value}", spread = [{", ".join(texts)}] }}' if texts else value


def _with_unit(value: float, unit: str) -> str:
    return f"{plain_number(value)} {unit}".strip()


def _is_moved(quantity: Mapping[str, Any], scales: Array, shifts: Array) -> bool:
    places = [quantity["scaled"], *(each["moved"] for each in quantity["spreads"])]
    return any(k >= 0 and (scales[k] != 1.0 or shifts[k] != 0.0) for k in places)


def command_of(payload: Mapping[str, Any], limit: float, target: float, scales: Array, shifts: Array) -> str:
    """The command that runs the moved case; '' where a change has no text."""
    said = payload["rerun"]
    changes = []
    if limit != 1.0:
        changes.append(f"requirement.permissible_error={limit_text(payload['limit'], limit)}")
    if target != payload["target"]:
        changes.append(f"requirement.yield={plain_number(100.0 * target)} %")
    written: set[int] = set()
    for quantity in said["quantities"]:
        if _is_moved(quantity, scales, shifts):
            changes.append(f"{quantity['key']}={change_text(quantity, scales, shifts)}")
            written |= {quantity["scaled"], *(each["moved"] for each in quantity["spreads"])}
    moved = {k for k in range(len(scales)) if scales[k] != 1.0 or shifts[k] != 0.0}
    if not moved <= written:
        return ""
    return " ".join([said["command"], *(f"--change {_quoted(each)}" for each in changes)])


def _quoted(text: str) -> str:
    """A word of a POSIX shell."""
    return "'" + text.replace("'", "'\"'\"'") + "'"


def _gives(case: Case, movables: Sequence[Movable], quantities: Sequence[Mapping[str, Any]]) -> bool:
    """Whether the changes, tried, give the moved case: same factors, the moved ones as wanted."""
    count = len(movables)
    scales = np.full(count, TRIED[0])
    shifts = np.array([TRIED[1] if each.can_shift else 0.0 for each in movables])
    try:
        changed = with_changes(case, {q["key"]: change_text(q, scales, shifts) for q in quantities})
    except (CaseError, ValueError):
        return False
    new = {f.name: f for f in factors_of(changed)}
    if list(new) != [f.name for f in factors_of(case)]:
        return False
    keys = {q["key"] for q in quantities}
    for k, each in enumerate(movables):
        for factor in each.factors:
            own = f"use.condition.{factor.condition}.{factor.quantity.split('.')[1]}"
            key = factor.quantity if factor.condition is None else own
            if key not in keys or factor.standardised:
                continue
            mean = factor.distribution.mean * scales[k] + shifts[k] * each.size
            sd, found = factor.distribution.sd * scales[k], new[factor.name]
            if found.relative != factor.relative or found.measured_on != factor.measured_on:
                return False
            if not math.isclose(found.distribution.sd, sd, rel_tol=1e-4):
                return False
            if abs(found.distribution.mean - mean) > 1e-4 * sd:
                return False
    return True
