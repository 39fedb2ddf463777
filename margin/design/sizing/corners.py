"""Sensor outputs that a circuit must read: of the stated share of units, over the conditions of use."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from margin.chain.elements import Contact, OutputKind
from margin.chain.parameter import Value
from margin.chain.setting import Setting
from margin.propagation.assemble import drawn_chain, use_setting
from margin.propagation.grouping import Grouping
from margin.propagation.model import Model
from margin.propagation.readings import use_conditions, use_event

Array = NDArray[np.float64]

DRAWN_UNITS = 20_000
"""Units whose sensors are drawn: of 99.9 %, twenty lie beyond."""

TAIL = 0.01
"""Share of the units from whose outputs the tail is extrapolated."""


@dataclass(frozen=True)
class Corners:
    """Outputs of drawn sensors between the smallest and the largest load.

    least, most  of each unit, over loads, conditions and placements, ascending, S or V/V at the sensor's own
                 reference voltage: (unit,)
    share        of units that must be read without clipping, beyond neither end
    dwell        s, the shortest from the load to a reading; frequency: Hz, the highest of a swinging load
    temperature  degC, the farthest from that of nominal values
    """

    least: Array
    most: Array
    share: float
    dwell: float
    frequency: float
    temperature: float

    @property
    def lowest(self) -> float:
        """Output that all but half of the rest of the units stay above."""
        return float(np.quantile(self.least, 0.5 * (1.0 - self.share)))

    @property
    def highest(self) -> float:
        """Output that all but half of the rest of the units stay below."""
        return float(np.quantile(self.most, 1.0 - 0.5 * (1.0 - self.share)))

    def risk(self, low: Value, high: Value) -> Value:
        """Share of units with an output beyond (low, high).

        Counted up to the outermost hundredth of the units; from there the tail falls as a power of the output, fitted
        to these (Hill, 'A simple general approach to inference about the tail of a distribution', Annals of Statistics
        3, 1975; from memory), or exponentially where outputs are not all positive. Beyond the drawn units it is an
        extrapolation: it ranks designs, and promises nothing.
        """
        if self.least[0] > 0.0:
            tiny = 1e-300
            below = _beyond(np.sort(-np.log(self.least)), -np.log(np.maximum(low, tiny)))
            return below + _beyond(np.log(self.most), np.log(np.maximum(high, tiny)))
        return _beyond(np.sort(-self.least), -np.asarray(low)) + _beyond(self.most, np.asarray(high))


def _beyond(ascending: Array, limit: Array) -> Array:
    """Share of values above a limit: counted, or by an exponential tail above the threshold of the tail."""
    count = ascending.size
    first = count - max(int(TAIL * count), 1)
    threshold = float(ascending[first - 1])
    excess = max(float(np.mean(ascending[first:])) - threshold, 1e-12)
    counted = 1.0 - np.searchsorted(ascending, limit, side="right") / count
    tail = (count - first) / count * np.exp(-np.maximum(limit - threshold, 0.0) / excess)
    return np.asarray(np.where(limit > threshold, tail, counted))


@dataclass(frozen=True)
class CornerSensor:
    """A sensor that puts out given values, whatever the load: the first and the last of the outputs to be read."""

    kind: ClassVar[str] = "corners"

    output_kind: OutputKind
    outputs: Array
    voltage_coefficient: Value
    voltage_reference: Value
    current_limit: Value
    voltage_limit: Value
    bridge_resistance: Value
    lead_resistance: Value

    @classmethod
    def of(cls, sensor: Any, corners: Corners) -> CornerSensor:
        """Corners of a sensor, with what circuits and checks ask of it."""
        return cls(
            sensor.output_kind, np.array([corners.lowest, corners.highest]),
            sensor.voltage_coefficient, sensor.voltage_reference,
            getattr(sensor, "current_limit", 0.0), getattr(sensor, "voltage_limit", 0.0),
            getattr(sensor, "bridge_resistance", 350.0), getattr(sensor, "lead_resistance", 0.0),
        )  # fmt: skip

    def output(self, contact: Contact, setting: Setting) -> Value:
        """S or V/V."""
        return self.outputs

    def force_from(self, output: Value, setting: Setting) -> Value:
        """N: none, as no load belongs to these outputs."""
        return np.zeros_like(output)


def corners_of(model: Model, share: float, units: int = DRAWN_UNITS) -> Corners:
    """Corners of a case, from units that each have a lot and an outer draw of their own."""
    # of loads put on by themselves: corners screen designs, and those that are left are judged along the history
    case = dataclasses.replace(model.case, history=None)
    source = model.source(Grouping(1, 1), 0, units)
    loads = np.asarray(case.check_loads).reshape(1, 1, 1, 1, -1)
    least, most = np.full(units, np.inf), np.full(units, -np.inf)
    dwell, frequency, temperature = np.inf, 0.0, case.reference_temperature
    for condition in use_conditions(case):
        event = use_event(case, condition)
        chain = drawn_chain(case, event, source, "finished product")
        setting = use_setting(case, condition, event, source)
        outputs = chain.sensor.output(chain.interface.transmit(loads, setting), chain.at_sensor(setting))
        shape = np.broadcast_shapes(np.shape(outputs), (units, 1, 1, 1, 1))
        by_unit = np.broadcast_to(outputs, shape).reshape(units, -1)
        least, most = np.minimum(least, by_unit.min(axis=1)), np.maximum(most, by_unit.max(axis=1))
        dwell = min(dwell, float(np.min(setting.dwell)))
        frequency = max(frequency, float(np.max(setting.load_frequency)))
        ends = (temperature, float(np.min(setting.temperature)), float(np.max(setting.temperature)))
        temperature = max(ends, key=lambda each: abs(each - case.reference_temperature))
    return Corners(np.sort(least), np.sort(most), share, dwell, frequency, temperature)
