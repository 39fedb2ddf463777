"""What an engineer calls the columns of a sensitivity plan: factor, part, level, cause, and where they act."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from margin.estimates.sensitivity import FactorLabels
from margin.propagation.factors import Factor
from margin.propagation.points_source import Column

Scope = Literal["common to all units", "from unit to unit", "within a unit"]

FEW_UNITS = "few units measured"


@dataclass(frozen=True)
class ColumnLabels:
    """A column's factor with part, level and cause, and the scope in which its draws stay the same."""

    labels: FactorLabels
    scope: Scope


def budget_name(factor: Factor) -> str:
    """Name of a factor in a budget; draws that scale one quantity (an offset along x and y) share it."""
    if factor.scales is None:
        return factor.name
    return f"{factor.role}.{factor.scales} (each {factor.level})"


def cause_of(factor: Factor) -> str:
    """Cause of a factor: as declared, or that cause at the calibration for a factor drawn there alone."""
    return _at_the_calibration(factor) if factor.level == "calibration" else factor.cause


def _at_the_calibration(factor: Factor) -> str:
    """'reloading at the calibration': a better reference load cell would not reduce it. What the station itself
    contributes acts nowhere else, and keeps its cause."""
    return factor.cause if factor.role == "station" else f"{factor.cause} at the calibration"


def labels_of(columns: Sequence[Column], factors: Sequence[Factor]) -> tuple[ColumnLabels, ...]:
    """Labels of each column, in order.

    A factor that is drawn again at the calibration (a placement, noise) stays in the constants of the unit: that
    draw is a line of its own, with a cause of its own ('reloading at the calibration'), and acts from unit to unit.
    """
    return tuple(_label(column, factors) for column in columns)


def _label(column: Column, factors: Sequence[Factor]) -> ColumnLabels:
    factor = column.factor
    if factor is None:
        stream = column.name.rpartition(": ")[0]
        of = next(f for f in factors if f.measured_on is not None and f.knowledge_stream == stream)
        return ColumnLabels(
            FactorLabels(of.knowledge_name, of.role, "common", FEW_UNITS), "common to all units"
        )
    name, cause = budget_name(factor), cause_of(factor)
    if factor.level in ("common", "station"):
        scope: Scope = "common to all units"
    elif column.event == "in use" and factor.level in ("condition", "loading", "reading"):
        scope = "within a unit"
    else:
        scope = "from unit to unit"
    if column.event == "at calibration" and factor.level != "calibration" and factor.role != "station":
        name, cause = f"{name} at calibration", _at_the_calibration(factor)
    return ColumnLabels(FactorLabels(name, factor.role, factor.level, cause), scope)
