"""Acceptance test of a block of units, simulated as their calibration is: each unit is loaded again at a station.

The test is an event of its own: placement, readings, temperature and dwell are drawn afresh, what belongs to the unit
is the unit's, and the reference load cell is that of the calibration where the same station tests.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from margin.calibration.event import applied_load, station_setting
from margin.case.types import Case
from margin.chain.arrays import as_array
from margin.chain.setting import Setting
from margin.propagation.along_history import readings_of_use
from margin.propagation.assemble import drawn_chain, drawn_element, firmware_setting
from margin.propagation.calibrated import Bench, Calibrated, calibrate, mean_of_placements
from margin.propagation.draws import StreamSource
from margin.propagation.events import Event
from margin.propagation.frame import Frame, permissible_error
from margin.propagation.model import Model
from margin.propagation.readings import Readings
from margin.propagation.tally import EvaluationError, Judged, judge, require_numbers
from margin.propagation.variants import Variant

Array = NDArray[np.float64]
Station = Literal["same", "other"]

STATIONS: tuple[Station, ...] = ("same", "other")
"""Whether the station that calibrated a unit tests it, or another one of the same kind with its own reference."""

NAME = "acceptance test"


@dataclass(frozen=True)
class StationTest:
    """How units are tested after their calibration.

    loads    N as the reference indicates, ascending
    reloads  placements of each load; samples: readings in each; the mean of the errors at a load counts
    station  'same' as calibrated the unit, or an 'other' one
    """

    loads: tuple[float, ...]
    reloads: int = 1
    samples: int = 1
    station: Station = "same"

    @property
    def event(self) -> Event:
        """Draws of the test: nothing at `loading` or `reading` is that of calibration or use."""
        return Event(
            NAME,
            loadings=self.reloads,
            readings=self.samples,
            loads=len(self.loads),
            calibrating=True,
            placed=tuple(f"{load!r} N" for load in self.loads),
        )


@dataclass(frozen=True)
class UnitsAtTest:
    """Units of a block, tested and then used.

    seen        (unit, load) error seen by the station, indication - reference reading, N
    true        (unit, load) the same without the error of the reference: indication - load on the unit, N
    used        what the requirement in use makes of each unit
    """

    seen: Array
    true: Array
    used: Judged


def permissible_at(case: Case, loads: tuple[float, ...]) -> Array:
    """Permissible error at the test loads, (load,), N."""
    return permissible_error(case.requirement, np.asarray(loads, dtype=np.float64), case.span)


@np.errstate(all="ignore")  # what is not a number is found in the errors and refused there
def units_at_test(model: Model, frame: Frame, test: StationTest, start: int, count: int) -> UnitsAtTest:
    """Calibrate, test and use `count` units from `start`, for the one calibration option of the model.

    Raises EvaluationError for errors that are not numbers.
    """
    case = model.case
    (option,) = case.calibrations
    source = model.source(frame.grouping, start, count)
    units = calibrate(option, Bench(case, source, model.nominal, count), model.classes.get(option.name))
    seen, true = _at_station(model, test, units, source, count)
    bad = ~(np.isfinite(seen) & np.isfinite(true))
    if bad.any():
        unit, load = np.argwhere(bad)[0]
        raise EvaluationError(
            f"acceptance test of {option.name!r}: {int(bad.sum())} errors are not numbers; the first is unit "
            f"{start + int(unit)} at {test.loads[load]:g} N; look at the extremes of the spreads in this case"
        )
    errors = [
        np.where(readings.known, units.load(readings) - frame.loads, np.nan)
        for readings in readings_of_use(case, source, count)
    ]
    require_numbers(option.name, frame, errors, start)
    return UnitsAtTest(seen, true, judge(frame, errors))


def _at_station(
    model: Model, test: StationTest, units: Calibrated, source: StreamSource, count: int
) -> tuple[Array, Array]:
    """Errors at the test loads, (unit, load) each: seen, and without the error of the reference."""
    case, event = model.case, test.event
    chain = drawn_chain(case, event, source, "finished product")
    at = source
    if test.station == "other":
        own = frozenset(f.name for f in model.factors if f.role == "station" and f.level == "station")
        at = source.varied(Variant(source.scales, source.redrawn | own))
    station = drawn_element(case.elements["station"], event, at)
    setting = station_setting(station, model.nominal.setting, 0.0)
    indicated = np.asarray(test.loads, dtype=np.float64).reshape(1, 1, 1, 1, -1)
    load = applied_load(indicated, station)
    response = chain.respond(load, setting)
    shape = (count, 1, test.reloads, test.samples, len(test.loads))
    readings = Readings(
        NAME,
        np.broadcast_to(as_array(response.code), shape),
        np.broadcast_to(response.clipped, shape),
        setting,
        firmware_setting(case, event, source, setting, True),
        _unloaded(case, event, source, setting, shape) if units.option.rezero else None,
    )
    indication = np.where(readings.known, units.load(readings), np.nan)
    errors = (indication - indicated, indication - load)
    seen, true = (
        mean_of_placements(np.broadcast_to(error, shape), test.reloads, test.samples)[:, 0, 0, 0, :]
        for error in errors
    )
    return seen, true


def _unloaded(
    case: Case, event: Event, source: StreamSource, setting: Setting, shape: tuple[int, ...]
) -> Array:
    """Codes just before each placement of the test, of the given shape."""
    before = replace(event, unloaded=True)
    chain = drawn_chain(case, before, source, "finished product")
    return np.broadcast_to(as_array(chain.respond(0.0, setting).code), shape)
