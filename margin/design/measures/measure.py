"""Measures, their prices, and what a good unit costs."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

OPTION_GROUP = "calibration option"
"""Group of the measures that calibrate by another option of the case: a unit is calibrated by one."""

SECONDS_IN_HOUR = 3600.0


@dataclass(frozen=True)
class Measure:
    """One thing that can be bought or done.

    name     as in reports; group: at most one measure of a group is taken, '' for none
    cost     of one unit, in the currency of the prices; negative where it saves
    once     paid once, whatever the volume
    seconds  on the station for each unit, s, beside the time of the calibration itself
    changes  (key, value) pairs in the grammar of `--change`; a key 'option.reloads' is one of the calibration
             option in force
    option   calibration option of the case that is used in place of today's; None: the one in force stays
    source   of its cost
    """

    name: str
    group: str = ""
    cost: float = 0.0
    once: float = 0.0
    seconds: float = 0.0
    changes: tuple[tuple[str, str], ...] = ()
    option: str | None = None
    source: str = ""


@dataclass(frozen=True)
class Prices:
    """What production costs today.

    unit       parts and assembly of a unit as it is today, without its calibration
    hour       of the calibration station with its operator
    rework     handling of a unit that fails
    recovered  share of the failing units that conform after rework
    volume     units among which what is paid once is shared; None where nothing is
    """

    currency: str = "EUR"
    unit: float = 0.0
    hour: float = 0.0
    rework: float = 0.0
    recovered: float = 0.0
    volume: float | None = None

    def made(self, measures: tuple[Measure, ...], seconds: float) -> float:
        """Cost of a unit as it leaves the station, good or not: parts, share of what is paid once, station time.

        seconds  of the station for a unit, s, those of the measures included
        """
        parts = self.unit + sum(each.cost for each in measures)
        return parts + self.once(measures) + seconds * self.hour / SECONDS_IN_HOUR

    def once(self, measures: tuple[Measure, ...]) -> float:
        """Share of one unit in what is paid once."""
        total = sum(each.once for each in measures)
        return total / self.volume if total and self.volume else 0.0

    def good(self, made: float, share: float) -> float:
        """Cost of a good unit where `share` of the units conform at first.

        (made + rework (1 - share)) / (share + recovered (1 - share)); infinite where no unit is good. At a share of 1
        it is `made`, and it is never less: the numerator is at least that, and the denominator at most 1.
        """
        good = share + self.recovered * (1.0 - share)
        return (made + self.rework * (1.0 - share)) / good if good > 0.0 else float("inf")


@dataclass(frozen=True)
class Measures:
    """Measures to choose from.

    option  calibration option of today's design
    path    of the file they stand in; None where they are proposed from the case
    notes   of the file
    """

    option: str
    measures: tuple[Measure, ...]
    prices: Prices = field(default_factory=Prices)
    path: Path | None = None
    notes: str = ""

    @property
    def groups(self) -> tuple[tuple[int, ...], ...]:
        """Places of the measures of which at most one is taken, group by group; a measure alone is a group."""
        found: dict[str, list[int]] = {}
        for place, measure in enumerate(self.measures):
            found.setdefault(f"group {measure.group}" if measure.group else f"alone {place}", []).append(
                place
            )
        return tuple(tuple(places) for places in found.values())

    def taken(self, chosen: tuple[int, ...]) -> tuple[Measure, ...]:
        """Measures at some places."""
        return tuple(self.measures[place] for place in chosen)
