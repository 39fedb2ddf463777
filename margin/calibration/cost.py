"""How long a calibration keeps the station."""

from __future__ import annotations

from margin.calibration.station import Station
from margin.case.types import CalibrationSpec


def seconds_per_unit(spec: CalibrationSpec, station: Station, units_per_lot: int) -> float:
    """Seconds a unit: handling, and each placement and unloading with its dwell and samples, a new zero's too.

    Both branches cost a second reading at each load but the highest. A lot curve spreads the loads of its
    sample units over the lot.
    """
    if spec.kind == "none":
        return 0.0
    placement = (
        float(station.seconds_per_load)
        + float(station.dwell)
        + spec.samples * float(station.seconds_per_sample)
    )
    # the zero of a tare is averaged over as many unloadings as there are placements of a load
    unloaded = placement * spec.reloads if spec.tare or spec.kind == "tare" else 0.0
    new_zero = spec.samples * float(station.seconds_per_sample) if spec.rezero else 0.0
    handling = float(station.seconds_per_unit)

    def loaded(loads: int) -> float:
        readings = loads + (max(loads - 1, 0) if spec.direction == "both" else 0)
        return (readings * placement + loads * new_zero) * spec.reloads

    if spec.kind == "lot-curve":
        whole_curve = handling + unloaded + loaded(len(spec.loads))
        return handling + unloaded + loaded(1) + whole_curve * spec.sample_units / units_per_lot
    return handling + unloaded + loaded(len(spec.loads))
