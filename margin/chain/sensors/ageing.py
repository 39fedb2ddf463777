"""What a sensor loses in service: by hours, by load cycles, and by hours under load."""

from __future__ import annotations

from typing import Protocol

from margin.chain.laws import absent, conditioned, per_decade
from margin.chain.parameter import Value
from margin.chain.setting import Setting

ACTIVATION = (
    "activation energy of ageing and zero_ageing (Arrhenius); 0: the same at all temperatures of service"
)
SUSTAINED = (
    "relative change of the output per decade of hours under load in service, which a rest does not take back"
)


class Ageing(Protocol):
    """The quantities of a sensor that change its output in service, see the sensors."""

    @property
    def ageing(self) -> Value: ...
    @property
    def ageing_activation(self) -> Value: ...
    @property
    def cycle_loss(self) -> Value: ...
    @property
    def conditioning(self) -> Value: ...
    @property
    def conditioning_cycles(self) -> Value: ...
    @property
    def sustained_creep(self) -> Value: ...


def aged(factor: Value, sensor: Ageing, setting: Setting) -> Value:
    """The factor times what service has left of the output.

    (1 - d log10(1 + t / 1 h)) (1 - e log10(1 + N)) (1 - q (1 - exp(-N / N0))) (1 + p log10(1 + tl / 1 h)): t hours of
    storage and service as at the reference temperature, N load cycles, tl hours under load (common practice, no
    source).
    """
    if not absent(sensor.ageing):
        factor = factor * (1.0 - sensor.ageing * decades_of_hours(sensor.ageing_activation, setting))
    if not absent(sensor.cycle_loss) and not absent(setting.cycles):
        factor = factor * (1.0 - sensor.cycle_loss * per_decade(setting.cycles, 1.0))
    if not absent(sensor.conditioning) and not absent(setting.cycles):
        factor = factor * (
            1.0 - sensor.conditioning * conditioned(setting.cycles, sensor.conditioning_cycles)
        )
    if not absent(sensor.sustained_creep) and not absent(setting.loaded_hours):
        factor = factor * (1.0 + sensor.sustained_creep * per_decade(setting.loaded_hours, 1.0))
    return factor


def decades_of_hours(activation: Value, setting: Setting) -> Value:
    """Decades of hours of storage and service, as at the reference temperature."""
    return per_decade(setting.aged_hours(activation), 1.0)
