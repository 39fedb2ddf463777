"""A sensor as fitted to a bench: the values and spreads that a case needs, and what they rest on. Plain data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from margin.chain.parameter import Level

Written = Literal["%", "S", "%/K", "S/K", "1/K", "V", "N", "s", "mV/V", ""]


@dataclass(frozen=True)
class FittedSpread:
    """Spread of a quantity at one level of the case.

    sd     standard deviation: of the nominal value where the quantity is relative, else in its unit
    units  equivalent number of units behind it; None where it is itself epistemic uncertainty (`common`), or
           well known
    """

    level: Level
    sd: float
    units: int | None


@dataclass(frozen=True)
class FittedQuantity:
    """A quantity of the sensor.

    key       its key in a case
    nominal   in the SI unit of the element
    unit      in which it is written
    relative  the spreads are shares of the nominal value
    told      what the file says above it: intervals, counts, what was taken off
    """

    key: str
    nominal: float
    unit: Written
    spreads: tuple[FittedSpread, ...] = ()
    relative: bool = False
    told: tuple[str, ...] = ()


@dataclass(frozen=True)
class FittedTie:
    """Rank correlation of two quantities from unit to unit, measured together on `units`."""

    first: str
    second: str
    rank_correlation: float
    units: int
    told: str


@dataclass(frozen=True)
class Provenance:
    """What was measured: setup, counts, and the conditions under which the values hold.

    temperature  degC
    dwell        s under load
    branch       of the load cycle
    """

    circuit: str
    interface: str
    temperature: float
    lots: int
    sensors: int
    mountings: int
    cycles: int
    readings: int
    dwell: float
    branch: Literal["up", "down", "mean"] = "up"


@dataclass(frozen=True)
class Unmeasured:
    """An effect of this kind of sensor, or with its table beside it ('interface.friction'), that the bench did not
    measure, by its key in a case, and what to measure."""

    key: str
    measure: str


@dataclass(frozen=True)
class FittedSensor:
    """A fitted sensor.

    must_state   'sensitivity per lot': spreads that the data cannot show at all and the case has to state
    assumptions  what the fit rests on beside the data
    unmeasured   effects that the data do not show: they have no quantity here
    """

    kind: str
    quantities: tuple[FittedQuantity, ...]
    tie: FittedTie | None
    provenance: Provenance
    must_state: tuple[str, ...]
    assumptions: tuple[str, ...]
    unmeasured: tuple[Unmeasured, ...] = ()
