"""Conditions around the chain during a reading."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from margin.chain.parameter import Value

if TYPE_CHECKING:
    from margin.chain.memory import Memory


@dataclass(frozen=True)
class Setting:
    """Temperature, time and history at one reading; every field broadcasts over the draw axes.

    temperature            degC
    dwell                  s since this load was put on (creep)
    descending             0 on the ascending branch, 1 on the descending one, 0.5 midway (hysteresis)
    peak                   N, largest load of the present load cycle (hysteresis)
    age                    h of service since production
    cycles                 load cycles of service since production
    service_temperature    degC at which parts age in service, whatever the temperature of the reading
    humidity               %RH
    load_frequency         Hz at which the load swings between none and the load; 0 for a load at rest
    swing_reading          what is read of a swinging load: at any instant, or its captured peak
    memory                 of the loads before, along a load history; None for a reading by itself, whose dwell, branch
                           and peak are those of this setting
    reference_temperature  degC at which all nominal values hold
    reference_humidity     %RH at which all nominal values hold
    """

    temperature: Value = 25.0
    dwell: Value = 1.0
    descending: Value = 0.0
    peak: Value = 1.0
    age: Value = 0.0
    cycles: Value = 0.0
    service_temperature: Value = 25.0
    humidity: Value = 50.0
    load_frequency: Value = 0.0
    swing_reading: Literal["instantaneous", "peak"] = "instantaneous"
    memory: Memory | None = None
    reference_temperature: float = 25.0
    reference_humidity: float = 50.0

    @property
    def warming(self) -> Value:
        """K above the temperature at which nominal values hold."""
        return self.temperature - self.reference_temperature

    @property
    def moistening(self) -> Value:
        """%RH above the humidity at which nominal values hold."""
        return self.humidity - self.reference_humidity
