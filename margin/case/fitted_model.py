"""Fitted model in a case: provenance, sensor and dependences of a bench analysis."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from pydantic import Field

from margin.case.tables import Branch, Dwell, Table, Temperature


class EnduranceTable(Table):
    """Where the ageing of a fitted model comes from."""

    data: str = Field(min_length=1, max_length=400, description="endurance file, relative to the model")
    sha256: str = Field(pattern="^[0-9a-f]{64}$", description="of the endurance file when it was fitted")
    written: datetime.date = Field(description="date of the fit")
    units: int = Field(ge=2, description="units measured over their age")
    readings: int = Field(ge=1, description="readings used")
    hours: float = Field(gt=0.0, description="age at the last reading of any unit")


class ModelTable(Table):
    """Where a fitted model comes from."""

    format: int = Field(description="version of the file's layout")
    data: str = Field(
        min_length=1,
        max_length=400,
        description="bench file, relative to the model; '(frame)': a frame in memory",
    )
    sha256: str = Field(pattern="^[0-9a-f]{64}$", description="of the bench file when it was fitted")
    written: datetime.date = Field(description="date of the fit")
    circuit: str = Field(default="", max_length=200, description="circuit that read the sensors")
    interface: str = Field(default="", max_length=200, description="interface under which they were loaded")
    temperature: Temperature = Field(description="temperature at which the values hold")
    dwell: Dwell | None = Field(default=None, description="time under load at which the values hold")
    branch: Branch = Field(default="up", description="branch of the load cycle on which the curve was fitted")
    lots: int = Field(ge=1, description="production lots measured")
    sensors: int = Field(ge=1, description="sensors measured")
    mountings: int = Field(ge=1, description="mountings, over all sensors")
    cycles: int = Field(ge=1, description="load cycles, over all mountings")
    readings: int = Field(ge=1, description="readings used")
    must_state: list[str] = Field(default=[], description="spreads that the data cannot show at all")
    assumptions: list[str] = Field(default=[], description="what the fit rests on beside the data")
    unmeasured: list[str] = Field(
        default=[],
        description="effects that the bench did not measure: keys of the sensor, or interface.friction",
    )
    endurance: EnduranceTable | None = Field(
        default=None, description="endurance data behind the sensor's ageing; 'margin endurance' adds them"
    )


IN_MEMORY = "(frame)"
"""Name of the data of a model that was fitted to a frame, not to a file."""

State = Literal["as fitted", "changed", "not there", "in memory"]

CHECKED: dict[State, str] = {
    "as fitted": "the data file is as it was",
    "changed": "the data file has changed",
    "not there": "the data file is not there and was not checked",
    "in memory": "the data were in memory and cannot be checked",
}


@dataclass(frozen=True)
class FittedModel:
    """A fitted model as read.

    name         as the case writes it
    path         the file
    about        its table [model]
    sensor       its table [sensor], as written
    dependences  its tables [[dependence]], as written
    data         whether the data file is still the one that was fitted; 'in memory': there was none
    endurance    the same of the endurance file; None where there is none
    """

    name: str
    path: Path
    about: ModelTable
    sensor: dict[str, Any]
    dependences: tuple[dict[str, Any], ...]
    data: State
    endurance: State | None = None

    @property
    def unmeasured(self) -> tuple[str, ...]:
        """Effects that the bench did not measure, as listed; none where an older model lists none."""
        return tuple(self.about.unmeasured)

    @property
    def origin(self) -> str:
        """Provenance in one line."""
        about = self.about
        setup = ", ".join(each for each in (about.circuit, about.interface) if each)
        counts = ", ".join(
            f"{count} {noun}{'' if count == 1 else 's'}"
            for count, noun in (
                (about.lots, "lot"), (about.sensors, "sensor"), (about.mountings, "mounting"),
                (about.cycles, "cycle"), (about.readings, "reading"),
            )
        )  # fmt: skip
        return (
            f"{self.name}: {self.sensor.get('kind')} fitted to {'a frame' if self.data == 'in memory' else about.data}"
            f" (sha256 {about.sha256[:12]}...{f', {setup}' if setup else ''}; {counts}),"
            f" written {about.written.isoformat()}; {CHECKED[self.data]}"
        )

    @property
    def origin_of_ageing(self) -> str | None:
        """Provenance of the ageing in one line; None where no endurance data are behind it."""
        about = self.about.endurance
        if about is None or self.endurance is None:
            return None
        return (
            f"{self.name}: ageing fitted to {about.data} (sha256 {about.sha256[:12]}...; {about.units} units, "
            f"{about.readings} readings), written {about.written.isoformat()}; {CHECKED[self.endurance]}"
        )

    @property
    def assumed_of_ageing(self) -> str | None:
        """What the ageing rests on beside its data; None where no endurance data are behind it."""
        about = self.about.endurance
        if about is None:
            return None
        return (
            f"ageing holds at the loads and the temperature of {about.data}, and is extrapolated beyond "
            f"{about.hours:.4g} h"
        )

    @property
    def warnings(self) -> tuple[str, ...]:
        """What to say where a data file is no longer the one that was fitted."""
        files = [(self.data, self.about.data)]
        if self.about.endurance is not None and self.endurance is not None:
            files.append((self.endurance, self.about.endurance.data))
        return tuple(
            f"{self.name}: {name} has changed since the model was fitted to it; fit it again"
            for state, name in files
            if state == "changed"
        )
