"""The station that calibrates: its reference load cell, its climate and the time it needs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from margin.chain.parameter import Value, draw, parameter


@dataclass(frozen=True, kw_only=True)
class Station:
    """A calibration station; values only, what it does to a unit is in `event`.

    indicated load = (1 + reference_gain) * load + reference_offset + reference_scatter * reference_draw
    """

    kind: ClassVar[str] = "station"

    reference_gain: Value = parameter(
        "",
        0.0,
        level="station",
        minimum=-0.5,
        maximum=0.5,
        doc="relative gain error of the reference load cell",
    )
    reference_offset: Value = parameter(
        "N", 0.0, level="station", doc="zero error of the reference load cell"
    )
    reference_scatter: Value = parameter(
        "N",
        0.0,
        level="station",
        minimum=0.0,
        doc="rms scatter of the reference load from placement to placement",
    )
    temperature: Value = parameter(
        "degC", 23.0, level="calibration", minimum=-273.15, doc="temperature at the calibration"
    )
    dwell: Value = parameter(
        "s", 1.0, level="calibration", positive=True, doc="time under load before the signal is taken"
    )
    humidity: Value = parameter(
        "percent_RH",
        50.0,
        level="calibration",
        minimum=0.0,
        maximum=100.0,
        doc="relative humidity at calibration",
    )
    age: Value = parameter(
        "h",
        0.0,
        level="calibration",
        minimum=0.0,
        doc="age of the unit at its calibration, time in service since production",
    )
    seconds_per_load: Value = parameter(
        "s", 5.0, level="station", minimum=0.0, doc="time to bring on one load, without the dwell"
    )
    seconds_per_unit: Value = parameter(
        "s", 20.0, level="station", minimum=0.0, doc="time to handle one unit"
    )
    seconds_per_sample: Value = parameter(
        "s", 0.1, level="station", minimum=0.0, doc="time to take one sample"
    )
    reference_draw: Value = draw(
        "normal", level="loading", scales="reference_scatter", doc="scatter of the reference load"
    )
