"""Conditions around the chain during a reading."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from margin.chain.laws import absent, arrhenius, film_hours, film_of_time
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
    loaded_hours           h of service under load since production
    service_temperature    degC at which parts age in service, whatever the temperature of the reading
    service_temperatures   (degC, share of the service) in place of it, where service goes through several; else none
    stored                 h of storage before, which age parts as hours of service do
    storage_temperature    degC of the storage
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
    loaded_hours: Value = 0.0
    service_temperature: Value = 25.0
    service_temperatures: tuple[tuple[float, float], ...] = ()
    stored: float = 0.0
    storage_temperature: float = 25.0
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

    def aged_hours(self, activation: Value = 0.0) -> Value:
        """Hours of storage and service, as many as age a part alike at the reference temperature (Arrhenius).

        activation  eV; 0: hours count alike at all temperatures

        Over several temperatures the mean of the rates, not the rate at the mean temperature: ageing adds up hour by
        hour (cumulative exposure; Nelson, Accelerated Testing, chapter 10, from memory).
        """
        if absent(activation):
            return self.age if absent(self.stored) else self.age + self.stored
        return self.hours_by(
            lambda temperature: arrhenius(activation, temperature, self.reference_temperature)
        )

    def film_drift(self) -> Value:
        """Drift of a film resistor by storage and service over that after 1000 h at the reference temperature."""
        if not self.service_temperatures and absent(self.stored):
            return film_of_time(self.age, self.service_temperature, self.reference_temperature)
        hours = self.hours_by(lambda temperature: film_hours(temperature, self.reference_temperature))
        return film_of_time(hours, self.reference_temperature, self.reference_temperature)

    def hours_by(self, rate: Callable[[Value], Value]) -> Value:
        """Hours of storage and service, each times the rate of ageing at its temperature, degC."""
        mean: Value = rate(self.service_temperature)
        if self.service_temperatures:
            mean = sum(share * rate(temperature) for temperature, share in self.service_temperatures)
        served = self.age * mean
        return served if absent(self.stored) else served + self.stored * rate(self.storage_temperature)
