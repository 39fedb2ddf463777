"""Values of assumed quantities at which the verdict on a design turns, the nearest first."""

from margin.design.overturning.overturn import overturning
from margin.design.overturning.result import LeftOut, Overturning, Pair, Turning

__all__ = ["LeftOut", "Overturning", "Pair", "Turning", "overturning"]
