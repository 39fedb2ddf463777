"""The way of computing that judges units under variants of a case."""

from __future__ import annotations

from margin.backends.arrays import ArrayUnits
from margin.backends.compiled.choose import kernel_for_units
from margin.backends.compiled.units import CompiledUnits
from margin.propagation.frame import Frame
from margin.propagation.model import Model
from margin.propagation.outcomes import UnitEngine


def unit_engine(model: Model, frame: Frame, variants: int) -> UnitEngine:
    """Engine for the units of a frame, to be evaluated under so many variants."""
    return compiled_units(model, frame, variants) or ArrayUnits(model, frame)


def compiled_units(model: Model, frame: Frame, variants: int) -> CompiledUnits | None:
    """The same by a kernel; None where there is none, or where so few readings are not worth it."""
    kernel = kernel_for_units(model, frame, variants)
    return None if kernel is None else CompiledUnits(model, kernel)
