"""The way of computing that judges units under variants of a case."""

from __future__ import annotations

from margin.backends.arrays import ArrayUnits
from margin.propagation.frame import Frame
from margin.propagation.model import Model
from margin.propagation.variants import UnitEngine


def unit_engine(model: Model, frame: Frame, variants: int) -> UnitEngine:
    """Engine for the units of a frame, to be evaluated under so many variants."""
    return ArrayUnits(model, frame)
