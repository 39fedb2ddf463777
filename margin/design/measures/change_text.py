"""A changed case as changes in the grammar of `--change`, tried before they are offered."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from fractions import Fraction

from distributions import Normal
from margin.case import units
from margin.case.faults import CaseError
from margin.case.types import CalibrationSpec, Case, Quantity
from margin.design.measures.apply import OF_OPTION, changed_case
from margin.design.measures.measure import Measure
from margin.estimates.what_if.rerun import plain_number, shown_unit
from margin.propagation.factors import Factor, factors_of, spread_factors

_OF_OPTION = ("kind", "space", "loads", "degree", "direction", "reloads", "samples", "temperature_correction")

Changes = tuple[tuple[str, str], ...]


def changes_between(before: Case, after: Case) -> Changes | None:
    """Changes that make one case of one calibration option the other; None where they have no text.

    Written are quantities of elements with normal and rectangular spreads, keys of the option in force, and the branch
    of the design curve. The changes are tried: a text that does not give the same factors is none.
    """
    found: list[tuple[str, str]] = list(_of_option(before.calibrations[0], after.calibrations[0]))
    if before.design_curve.branch != after.design_curve.branch:
        found.append(("design_curve.branch", after.design_curve.branch))
    for role, spec in after.elements.items():
        for field, quantity in spec.quantities.items():
            if quantity.shared_with is not None or quantity == before.elements[role].quantities[field]:
                continue
            text = quantity_text(quantity)
            if text is None:
                return None
            found.append((f"{role}.{field}", text))
    changes = tuple(found)
    return changes if changes and _gives(before, after, changes) else None


def quantity_text(quantity: Quantity) -> str | None:
    """A quantity with its spreads as an inline table of a case; None for a shape that is not written here."""
    value = _with_unit(quantity.nominal, quantity.unit)
    factors = spread_factors(quantity, quantity.name.split(".")[0], None)  # type: ignore[arg-type]
    spreads = [_spread_text(each, quantity.unit) for each in factors]
    if any(each is None for each in spreads):
        return None
    return f'{{ value = "{value}", spread = [{", ".join(filter(None, spreads))}] }}' if spreads else value


def _spread_text(factor: Factor, unit: str) -> str | None:
    normal = isinstance(factor.distribution, Normal)
    if not normal and factor.distribution.title != "rectangular":
        return None
    shown, one = shown_unit(factor.distribution.sd, unit, factor.relative)
    low, high = factor.distribution.support
    numbers = (
        [("mean", factor.distribution.mean), ("sd", factor.distribution.sd)]
        if normal
        else [("low", low), ("high", high)]
    )
    parts = [f'level = "{factor.level}"', f'shape = "{"normal" if normal else "rectangular"}"']
    parts += [
        f'{name} = "{f"{plain_number(number / one)} {shown}".strip()}"'
        for name, number in numbers
        if name != "mean" or number != 0.0
    ]
    parts += [] if factor.measured_on is None else [f"from_units = {factor.measured_on}"]
    return f"{{ {', '.join(parts)} }}"


def _with_unit(value: float, unit: str) -> str:
    if not unit:
        return plain_number(value)
    label = units.show(value, unit).rpartition(" ")[2]
    one = 1.0 if unit == "degC" else units.to_si(Fraction(1), label, unit)
    return f"{plain_number(value / one)} {label}".strip()


def _of_option(before: CalibrationSpec, after: CalibrationSpec) -> Iterator[tuple[str, str]]:
    """Changes of the option in force; it keeps its name, which by default would be its kind."""
    if before.kind != after.kind:
        yield f"{OF_OPTION}name", before.name
    for key in _OF_OPTION:
        value = getattr(after, key)
        if value == getattr(before, key):
            continue
        if key == "loads":
            yield f"{OF_OPTION}loads", json.dumps([f"{plain_number(load)} N" for load in value])
        else:
            yield f"{OF_OPTION}{key}", json.dumps(value) if isinstance(value, bool) else str(value)


def _gives(before: Case, after: Case, changes: Changes) -> bool:
    """Whether the changes, tried, give the same calibration and factors as the changed case."""
    try:
        tried = changed_case(before, before.calibrations[0].name, [Measure("tried", changes=changes)])
    except CaseError:
        return False
    wanted = {factor.name: factor for factor in factors_of(after)}
    found = {factor.name: factor for factor in factors_of(tried)}
    return (
        tried.calibrations[0] == after.calibrations[0]
        and tried.design_curve.branch == after.design_curve.branch
        and wanted.keys() == found.keys()
        and all(_alike(found[name], wanted[name]) for name in wanted)
        and all(
            math.isclose(tried.elements[role].quantities[name].nominal, q.nominal, rel_tol=1e-5)
            for role, spec in after.elements.items()
            for name, q in spec.quantities.items()
        )
    )


def _alike(found: Factor, wanted: Factor) -> bool:
    sd = wanted.distribution.sd
    return (
        found.relative == wanted.relative
        and found.measured_on == wanted.measured_on
        and math.isclose(found.distribution.sd, sd, rel_tol=1e-4)
        and abs(found.distribution.mean - wanted.distribution.mean) <= 1e-4 * sd
    )
