"""When drawn units are read, with which parts, and what is kept of them from one situation to the next."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from margin.case.types import Case, Role
from margin.chain.parameter import Value
from margin.diagnosis.situation import source_of
from margin.propagation.calibrated import Calibrated
from margin.propagation.draws import LotSamples, StreamSource
from margin.propagation.events import Event
from margin.propagation.factors import Factor


@dataclass(frozen=True)
class Occasion:
    """When readings are taken: it keeps their placements apart from those of every other occasion.

    mounting   number of the first mounting; that of the last one of an earlier occasion where the unit stays mounted
    swapped    roles whose parts are those of another drawn unit, by other_seed
    again      the prototype is calibrated afresh before it
    """

    name: str = "prototype"
    mounting: int = 0
    swapped: frozenset[Role] = frozenset()
    other_seed: int = 0
    again: bool = False


FIRST = Occasion()


@dataclass(frozen=True)
class KeptUnits:
    """Drawn units that serve for several situations of one design: what is drawn, their parts as designed and their
    calibration as designed are kept."""

    source: StreamSource
    parts: dict[tuple[str, Event], Any] = field(default_factory=dict)
    calibrations: dict[str, Calibrated] = field(default_factory=dict)


def kept_units(case: Case, units: int, seed: int) -> KeptUnits:
    """Units of a case that are to serve for several situations."""
    return KeptUnits(source_of(case, units, seed))


@dataclass(frozen=True)
class Mounted(Event):
    """A load cycle under one mounting: steps along the axis of readings, since a placement lasts for a whole run."""

    mounting: int = 0

    def stream(self, level: Any) -> str:
        if level == "mounting":
            return f"@mounting {self.mounting + 1}"
        return super().stream(level)


@dataclass(frozen=True)
class SwappedSource:
    """Draws of one unit with those of another for the roles that were swapped."""

    own: StreamSource
    other: StreamSource
    swapped: frozenset[Role]

    def _of(self, factor: Factor) -> StreamSource:
        return self.other if factor.role in self.swapped else self.own

    def deviation(self, factor: Factor, event: Event) -> Value:
        """Deviation of a factor from whichever unit its part is of."""
        return self._of(factor).deviation(factor, event)

    def scaled(self, factor: Factor, value: Value) -> Value:
        """The quantity as it is: nothing is scaled here."""
        return value

    def lot_samples(self, each: int) -> LotSamples:
        """Sample units of the lots of the unit itself."""
        return self.own.lot_samples(each)
