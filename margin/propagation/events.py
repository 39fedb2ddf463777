"""The occasions on which a unit is loaded: in use, at its calibration, at its acceptance test."""

from __future__ import annotations

from dataclasses import dataclass

from margin.chain.parameter import Level
from margin.propagation.factors import Factor


@dataclass(frozen=True)
class Event:
    """One occasion and how many draws it asks of each unit.

    name        keeps its draws apart from those of every other event
    conditions, loadings, readings, loads   lengths of the axes behind the unit axis
    rebuilt     the unit is mounted afresh for this event; False: the mounting is that of use
    calibrating the unit is at a station: draws of level `calibration` belong to this event; in use they are absent
    placed      labels of the loads, where each placement of a load has draws of its own by load and placement:
                what is drawn at one load then does not depend on which other loads there are
    unloaded    a reading just before the load is placed: its draws of a reading and its reload scatter are its own,
                since no placement has been made yet; all others are those of the placement that follows
    """

    name: str
    conditions: int = 1
    loadings: int = 1
    readings: int = 1
    loads: int = 1
    rebuilt: bool = False
    calibrating: bool = False
    placed: tuple[str, ...] = ()
    unloaded: bool = False

    def axes(self, level: Level) -> tuple[int, int, int, int]:
        """Lengths of (condition, loading, reading, load) at which a factor of `level` varies."""
        if level == "condition":
            return (self.conditions, 1, 1, 1)
        if level == "loading":
            return (self.conditions, self.loadings, 1, self.loads)
        if level == "reading":
            return (self.conditions, self.loadings, self.readings, self.loads)
        return (1, 1, 1, 1)

    def stream_of(self, factor: Factor) -> str:
        """As `stream`, by the level of the factor, but for the reload scatter of the unloaded unit: its own."""
        if self.unloaded and factor.reloading:
            return f"@unloaded, {self.name}"
        return self.stream(factor.level)

    def stream(self, level: Level) -> str:
        """Suffix of the stream's name: what is drawn afresh for this event, and what is not."""
        if level == "reading" and self.unloaded:
            return f"@unloaded, {self.name}"
        if level in ("condition", "loading", "reading"):
            return f"@{self.name}"
        if level == "calibration":
            return f"@{self.name}" if self.calibrating else "@calibration"
        if level == "mounting" and self.rebuilt:
            return "@rebuilt for calibration"
        return ""
