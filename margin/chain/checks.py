"""Design checks beside the force error: headroom, current, drive, bandwidth, settling, resolution."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from margin.chain.chain import Chain, Response
from margin.chain.circuits import FrontEnd
from margin.chain.elements import FedBackCircuit, SwitchedCircuit
from margin.chain.laws import absent
from margin.chain.parameter import Value
from margin.chain.setting import Setting

HEADROOM = "headroom at the largest load"

LEAST_PHASE_MARGIN = 45.0
"""Degrees (common practice, no source): a step then overshoots by about a quarter."""

Measure = Callable[[Chain, Response, Value], Value | None]


@dataclass(frozen=True)
class Check:
    """One design check.

    measure  of (drawn chain, its response, loads): an array over the draw axes, the load axis reduced to
             length 1; None where the check does not apply to this chain. Loads (N) ascend on the last axis.
    limit    of the chain: what `measure` is held against; None for information only
    favourable  whether values 'below' or 'above' the limit are good
    """

    name: str
    unit: str
    measure: Measure
    limit: Callable[[Chain, Response], Value | None]
    favourable: Literal["below", "above"]
    note: str


def _largest(value: Value) -> Value:
    result: Value = np.max(np.atleast_1d(value), axis=-1, keepdims=True)
    return result


def _least(value: Value) -> Value:
    result: Value = np.min(np.atleast_1d(value), axis=-1, keepdims=True)
    return result


def _front_end(chain: Chain) -> FrontEnd | None:
    return chain.circuit if isinstance(chain.circuit, FrontEnd) else None


def output_limits(chain: Chain, setting: Setting) -> tuple[Value, Value]:
    """Lowest and highest voltage, V, within both the swing of the circuit and the range of the converter."""
    low, high = chain.circuit.swing(setting)
    full = chain.converter.span_voltage(chain.circuit.reference_voltage(setting), setting)
    return np.maximum(low, 0.0), np.minimum(high, full)


def headroom(chain: Chain, response: Response, loads: Value) -> Value:
    """V left at the largest load on the side towards which the load drives; negative beyond the limit.

    Upwards to the lower of swing and converter's full scale, downwards to the higher of swing and 0 V.
    """
    lowest, highest = output_limits(chain, response.setting)
    voltage = np.atleast_1d(response.voltage)
    first, last = voltage[..., :1], voltage[..., -1:]
    result: Value = np.where(last >= first, highest - last, last - lowest)
    return result


def sensor_current(chain: Chain, response: Response, loads: Value) -> Value | None:
    """A through the sensor, at the load where it is largest."""
    front = _front_end(chain)
    return None if front is None else _largest(front.sensor_current(response.output, response.setting))


def sensor_voltage(chain: Chain, response: Response, loads: Value) -> Value:
    """V across the sensor, at the load where it is largest."""
    return _largest(response.sensor_voltage)


def output_current(chain: Chain, response: Response, loads: Value) -> Value | None:
    """A out of the amplifier, at the load where it is largest."""
    front = _front_end(chain)
    return (
        None if front is None else _largest(np.abs(front.output_current(response.output, response.setting)))
    )


def bandwidth(chain: Chain, response: Response, loads: Value) -> Value | None:
    """Hz, at the load where it is least."""
    front = _front_end(chain)
    if front is None or (absent(front.capacitor) and absent(front.gain_bandwidth)):
        return None
    return _least(front.bandwidth(response.output, response.setting))


def phase_margin(chain: Chain, response: Response, loads: Value) -> Value | None:
    """Degrees of the amplifier with the capacitance at its input, at the load where it is least."""
    circuit = chain.circuit
    if not isinstance(circuit, FedBackCircuit):
        return None
    if absent(circuit.input_capacitance) or absent(circuit.gain_bandwidth):
        return None
    return _least(circuit.phase_margin(response.output, response.setting))


def switch_leakage(chain: Chain, response: Response, loads: Value) -> Value | None:
    """Leakage of the open switches of an array over the sensor's current, at the load where that is largest."""
    circuit = chain.circuit
    if not isinstance(circuit, SwitchedCircuit) or not circuit.switched_columns:
        return None
    current = _largest(np.abs(circuit.sensor_current(response.output, response.setting)))
    result: Value = np.abs(circuit.switched(response.setting)) / np.maximum(current, 1e-300)
    return result


def settling(chain: Chain, response: Response, loads: Value) -> Value | None:
    """Counts that an empty sampling capacitor still lacks of full scale, at the worst load.

    A filter capacitor at the converter's input shares its charge with it (`Converter.unsettled`).
    """
    converter = chain.converter
    if _front_end(chain) is None or absent(converter.sampling_capacitor) or absent(converter.sampling_time):
        return None
    return _largest(chain.unsettled(response.output, response.setting) * converter.levels)


def counts_at_smallest(chain: Chain, response: Response, loads: Value) -> Value:
    """Counts between no load and the smallest load."""
    unloaded = np.atleast_1d(chain.respond(0.0, response.setting).counts)
    loaded = np.atleast_1d(response.counts)
    result: Value = np.abs(loaded[..., :1] - unloaded[..., :1])
    return result


def resolution_at(chain: Chain, setting: Setting, loads: Value, step: float) -> Value:
    """N of load that one count stands for at each load; infinite where nothing moves.

    From a step (N) either way. A load cannot be negative: below `step` the lower end is 0 N.
    """
    lower = np.maximum(loads - step, 0.0)
    rise = chain.respond(loads + step, setting).counts - chain.respond(lower, setting).counts
    slope = np.abs(rise) / (loads + step - lower)
    moving = slope > 0.0
    result: Value = np.where(moving, 1.0 / np.where(moving, slope, 1.0), np.inf)
    return result


def resolution(chain: Chain, response: Response, loads: Value) -> Value:
    """N of load that one count stands for, at the load where it is coarsest; infinite where nothing moves."""
    largest = float(np.max(loads))
    return _largest(resolution_at(chain, response.setting, loads, 1e-3 * largest if largest > 0.0 else 1e-3))


def _stated(limit: Value) -> Value | None:
    """A limit of 0 means that none was stated."""
    return None if absent(limit) else limit


def _current_limit(chain: Chain, response: Response) -> Value | None:
    return _stated(getattr(chain.sensor, "current_limit", 0.0))


def _voltage_limit(chain: Chain, response: Response) -> Value | None:
    return _stated(getattr(chain.sensor, "voltage_limit", 0.0))


def _output_limit(chain: Chain, response: Response) -> Value | None:
    return _stated(getattr(chain.circuit, "output_current_limit", 0.0))


def _seven_times(chain: Chain, response: Response) -> Value | None:
    frequency = response.setting.load_frequency
    return None if absent(frequency) else 7.0 * frequency


CHECKS: tuple[Check, ...] = (
    Check(
        HEADROOM, "V", headroom, lambda c, r: 0.0, "above",
        "to the nearest limit of output swing and converter, on the side towards which the load drives",
    ),
    Check("sensor current", "A", sensor_current, _current_limit, "below", "largest over the loads"),
    Check("sensor voltage", "V", sensor_voltage, _voltage_limit, "below", "largest over the loads"),
    Check(
        "amplifier output current", "A", output_current, _output_limit, "below", "into load and feedback"
    ),
    Check(
        "bandwidth", "Hz", bandwidth, _seven_times, "above",
        "at seven times the load frequency the amplitude is 1.0 % low and a reading at any instant lags by up to "
        "14.1 % of it: 0.5 % and 7.1 % of the peak of a swing from no load",
    ),
    Check(
        "phase margin", "deg", phase_margin, lambda c, r: LEAST_PHASE_MARGIN, "above",
        "of the amplifier with the capacitance of sensor and cable at its input, at the worst load",
    ),
    Check(
        "leakage of open switches", "", switch_leakage, lambda c, r: None, "below",
        "of the columns that share the amplifier, over the sensor's current at the largest load",
    ),
    Check(
        "settling at the converter", "", settling, lambda c, r: 0.5, "below",
        "unsettled counts of full scale of the sampling capacitor, connected empty, after the sampling time; a filter "
        "capacitor at the input shares its charge with it",
    ),
    Check(
        "counts at the smallest load", "", counts_at_smallest, lambda c, r: None, "above",
        "between no load and the smallest load",
    ),
    Check(
        "resolution", "N", resolution, lambda c, r: None, "below", "load that one count stands for, coarsest"
    ),
)  # fmt: skip
"""All design checks, in the order of the report."""
