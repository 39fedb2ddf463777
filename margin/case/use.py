"""Conditions of use around a reading."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from margin.chain.parameter import Value, draw, option, parameter


@dataclass(frozen=True, kw_only=True)
class Use:
    """Temperature, time under load, age and humidity at which readings are taken; values only."""

    kind: ClassVar[str] = "use"

    temperature: Value = parameter(
        "degC",
        23.0,
        level="condition",
        minimum=-273.15,
        cause="temperature",
        doc="temperature of the product in use",
    )
    dwell: Value = parameter(
        "s",
        1.0,
        level="condition",
        positive=True,
        cause="creep",
        doc="time under load when the reading is taken",
    )
    age: Value = parameter(
        "h", 0.0, level="condition", minimum=0.0, cause="ageing", doc="time in service since production"
    )
    cycles_per_hour: Value = parameter(
        "",
        0.0,
        level="condition",
        minimum=0.0,
        cause="ageing",
        doc="load cycles in an hour of service; 0: no cycles",
    )
    cycle_load_exponent: Value = parameter(
        "",
        1.0,
        level="common",
        minimum=0.0,
        maximum=20.0,
        cause="ageing",
        doc="power of the load by which the load cycles of [service] count; 0: all alike",
    )
    duty: Value = parameter(
        "",
        0.0,
        level="condition",
        minimum=0.0,
        maximum=1.0,
        cause="ageing",
        doc="share of the time in service under load; 0: no effect of hours under load",
    )
    service_temperature: Value = parameter(
        "degC",
        25.0,
        level="condition",
        minimum=-273.15,
        cause="ageing",
        doc="temperature at which parts age in service (films, Arrhenius), whatever that of a reading",
    )
    humidity: Value = parameter(
        "percent_RH",
        50.0,
        level="condition",
        minimum=0.0,
        maximum=100.0,
        cause="humidity",
        doc="relative humidity in use",
    )
    peak: Value = parameter(
        "N",
        0.0,
        level="loading",
        minimum=0.0,
        cause="load history",
        doc="largest load of the load cycle; 0 N: top of the load range",
    )
    load_frequency: Value = parameter(
        "Hz", 0.0, level="condition", minimum=0.0, doc="frequency at which the load swings; 0 Hz: at rest"
    )
    swing_reading: str = option(
        "instantaneous",
        choices=("instantaneous", "peak"),
        doc="reading of a swinging load: at any instant of the cycle (worst lag), or its captured peak",
    )
    direction: str = option(
        "up", choices=("up", "down", "either"), doc="branch of the load cycle on which readings are taken"
    )
    direction_draw: Value = draw(
        "uniform", level="loading", cause="load history", doc="which branch, where direction is either"
    )
