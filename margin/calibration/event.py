"""What the station sees when it loads a unit: the same physics as in use, with the station's own errors."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from margin.calibration.station import Station
from margin.chain import Chain, Response
from margin.chain.parameter import Value
from margin.chain.setting import Setting


def applied_load(indicated: NDArray[np.float64], station: Station) -> Value:
    """True load, N, when the operator loads until the reference load cell indicates `indicated`, N.

    indicated = (1 + gain error) * true + offset + scatter; an unloaded unit (indicated 0) carries no load.
    """
    error = station.reference_offset + station.reference_scatter * station.reference_draw
    true: Value = np.where(indicated == 0.0, 0.0, (indicated - error) / (1.0 + station.reference_gain))
    return np.maximum(true, 0.0)


def station_setting(station: Station, like: Setting, descending: float) -> Setting:
    """Setting at the station: its temperature, humidity, dwell and age of the unit, the peak of the load range."""
    return Setting(
        temperature=station.temperature,
        dwell=station.dwell,
        descending=descending,
        peak=like.peak,
        age=station.age,
        humidity=station.humidity,
        reference_temperature=like.reference_temperature,
        reference_humidity=like.reference_humidity,
    )


def station_response(
    chain: Chain, station: Station, indicated: NDArray[np.float64], setting: Setting
) -> Response:
    """Response of drawn units to the loads of a calibration; indicated: (1, 1, 1, 1, load), N."""
    return chain.respond(applied_load(indicated, station), setting)
