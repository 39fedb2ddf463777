"""What each cause changes: functions of a situation and a size."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from distributions import Rectangular
from margin.case.types import Case, Spread
from margin.chain.elements import Contact
from margin.diagnosis.plan import Plan
from margin.diagnosis.situation import Situation, has, nominal, with_nominal, with_spread
from margin.propagation.assemble import nominal_of

Array = NDArray[np.float64]
Effect = Callable[[Situation, float], Situation]

AMPLIFIER_RESISTOR = "resistor of the front end"
SENSOR_GAINS = ("sensor.sensitivity", "sensor.rated_output", "sensor.gain")
"""What a load is multiplied by in the sensor, and firmware counts on."""
RESISTORS = ("feedback", "gain_resistor", "resistor")
LATE = 10.0
"""s, time constant of a compliant load path, as of foam and soft actuators (common practice, no source)."""


def top_output(case: Case) -> float:
    """Output of the sensor as designed at the top load of the case, S or V/V."""
    found = nominal_of(case)
    contact: Contact = found.chain.interface.transmit(case.load_high, found.setting)
    return float(np.asarray(found.chain.sensor.output(contact, found.setting)))


def resistor_of(case: Case) -> str | None:
    """Resistor that sets the gain of the front end."""
    return next((f"circuit.{r}" for r in RESISTORS if has(case, f"circuit.{r}")), None)


def relative(name: str, sign: float, calibrated: bool = True) -> Effect:
    """The quantity times 1 + sign * size; calibrated: before the calibration already."""

    def apply(situation: Situation, size: float) -> Situation:
        value = nominal(situation.built, name) * (1.0 + sign * size)
        return situation.with_built({name: value}, calibrated)

    return apply


def raised(name: str, of: Literal["", "top load", "pad radius"] = "") -> Effect:
    """Size added to the quantity, itself or as a share of the top load or pad radius, after the calibration."""

    def apply(situation: Situation, size: float) -> Situation:
        case = situation.built
        scale = 1.0
        if of == "top load":
            scale = case.load_high
        elif of == "pad radius":
            scale = nominal(case, "interface.sensing_radius")
        value = nominal(case, name) + size * scale
        return situation.with_built({name: value}, calibrated=False)

    return apply


def further(name: str) -> Effect:
    """Resistance in series that takes the share `size` off the conductance at the top load."""

    def apply(situation: Situation, size: float) -> Situation:
        resistance = size / (1.0 - size) / top_output(situation.firmware)
        return situation.with_built({name: nominal(situation.built, name) + resistance}, calibrated=False)

    return apply


def sensor_gain(situation: Situation, size: float) -> Situation:
    """Sensitivity less the share `size`."""
    for name in SENSOR_GAINS:
        if has(situation.built, name):
            return relative(name, -1.0, calibrated=False)(situation, size)
    return situation


def sensor_zero(situation: Situation, size: float) -> Situation:
    """Output without load raised by the share `size` of that at the top load."""
    film = has(situation.built, "sensor.offset_conductance")
    name = "sensor.offset_conductance" if film else "sensor.zero"
    value = nominal(situation.built, name) + size * _of_zero(situation)
    return situation.with_built({name: value}, calibrated=False)


def _of_zero(situation: Situation) -> float:
    """What zeros count in, by which a share of the output at the top load is multiplied."""
    absolute = ("sensor.offset_conductance", "sensor.rated_output")
    stated = any(has(situation.built, name) for name in absolute)
    return top_output(situation.firmware) if stated else 1.0


SPAN_COEFFICIENTS = ("sensor.temperature_coefficient", "sensor.span_temperature_coefficient")
ZERO_COEFFICIENTS = ("sensor.offset_temperature_coefficient", "sensor.zero_temperature_coefficient")


def span_coefficient(situation: Situation, size: float) -> Situation:
    """Sensitivity that changes by the share `size` more per kelvin than that of the design."""
    return _coefficient(situation, SPAN_COEFFICIENTS, size)


def zero_coefficient(situation: Situation, size: float) -> Situation:
    """Output without load that changes by the share `size` of that at the top load more per kelvin."""
    return _coefficient(situation, ZERO_COEFFICIENTS, size * _of_zero(situation))


def _coefficient(situation: Situation, names: tuple[str, ...], more: float) -> Situation:
    name = next(name for name in names if has(situation.built, name))
    return situation.with_built({name: nominal(situation.built, name) + more})


def moisture(situation: Situation, size: float) -> Situation:
    """Conductance raised by the share `size`, and that without load by a tenth of it at the top load."""
    return sensor_zero(relative("sensor.sensitivity", 1.0, calibrated=False)(situation, size), 0.1 * size)


def wetter_bridge(situation: Situation, size: float) -> Situation:
    """Zero moved by the share `size` of rated output, and a creep of a tenth of it per decade."""
    creep = nominal(situation.built, "sensor.creep") + 0.1 * size
    return sensor_zero(situation, size).with_built({"sensor.creep": creep}, calibrated=False)


def worn_film(situation: Situation, size: float) -> Situation:
    """Exponent less the share `size`, reload scatter more by a quarter of it."""
    case = situation.built
    values = {
        "sensor.exponent": nominal(case, "sensor.exponent") * (1.0 - size),
        "sensor.reload_scatter": nominal(case, "sensor.reload_scatter") + 0.25 * size,
    }
    return situation.with_built(values, calibrated=False)


def housing_share(situation: Situation, size: float) -> Situation:
    """Springs beside the sensor that take the share `size` of the load."""
    case = situation.built
    stiffness = nominal(case, "interface.sensor_stiffness")
    value = nominal(case, "interface.parallel_stiffness") + stiffness * size / (1.0 - size)
    return situation.with_built({"interface.parallel_stiffness": value}, calibrated=False)


def stop_of_range(situation: Situation, size: float) -> Situation:
    """Stop that engages below the top load, by the share `size` of it, and takes any share of what exceeds it."""
    value = situation.built.load_high * (1.0 - size)
    found = situation.with_built(
        {"interface.stop_force": value, "interface.stop_share": 0.5}, calibrated=False
    )
    some = Spread("unit", Rectangular(-0.45, 0.45), False, "any share of the load")
    return replace(found, built=with_spread(found.built, "interface.stop_share", some))


def compliant_path(situation: Situation, size: float) -> Situation:
    """The share `size` of every change of the load arrives with a time constant of LATE."""

    def path(plan: Plan, load: Array) -> Array:
        missing = size * np.exp(-plan.of("dwell") / LATE)
        before = np.concatenate([[0.0], load[:-1]])
        return load + (before - load) * missing

    return replace(situation, paths=(*situation.paths, path))


def friction(situation: Situation, size: float) -> Situation:
    """Load less the share `size` going up, more by it coming down, never above that reached at the top."""

    def path(plan: Plan, load: Array) -> Array:
        sign = np.where(plan.of("descending") > 0.5, 1.0, -1.0)
        found: Array = np.minimum(load * (1.0 + sign * size), plan.top * (1.0 - size))
        return found

    return replace(situation, paths=(*situation.paths, path))


def connector(situation: Situation, size: float) -> Situation:
    """Resistance between drive and sensor that takes the share `size` off the current at the top load."""
    return further("circuit.source_resistance")(situation, size)


def lead(situation: Situation, size: float) -> Situation:
    """Resistance of each supply lead, as the share `size` of that of the bridge."""
    case = situation.built
    value = nominal(case, "sensor.lead_resistance") + size * nominal(case, "sensor.bridge_resistance")
    return situation.with_built({"sensor.lead_resistance": value}, calibrated=False)


def full_scale_voltage(case: Case) -> tuple[float, float]:
    """Output voltage as designed without load and at the top load, V."""
    found = nominal_of(case)
    voltages = [
        float(np.asarray(found.chain.respond(load, found.setting).voltage)) for load in (0.0, case.load_high)
    ]
    return voltages[0], voltages[1]


def offset_of_full_scale(situation: Situation, size: float) -> Situation:
    """Input offset that moves the output by the share `size` of its full-scale voltage."""
    case = situation.firmware
    found = nominal_of(case)
    circuit: Any = found.chain.circuit
    low, high = full_scale_voltage(case)
    gain = float(np.asarray(circuit.noise_gain(0.0, found.setting)))
    value = nominal(situation.built, "circuit.offset") + size * (high - low) / gain
    return situation.with_built({"circuit.offset": value}, calibrated=False)


def leakage(situation: Situation, size: float) -> Situation:
    """Conductance beside the sensor, as the share `size` of that of the sensor at the top load."""
    value = nominal(situation.built, "circuit.leakage") + size * top_output(situation.firmware)
    return situation.with_built({"circuit.leakage": value}, calibrated=False)


def slow_filter(situation: Situation, size: float) -> Situation:
    """Signal that follows with the time constant `size`, s."""
    return replace(situation, lag=size)


def clipping(situation: Situation, size: float) -> Situation:
    """Upper limit of the output that cuts the share `size` of the signal at the top load."""
    low, high = full_scale_voltage(situation.firmware)
    return situation.with_built({"circuit.swing_high": low + (high - low) * (1.0 - size)}, calibrated=False)


def reference_of_converter(situation: Situation, size: float) -> Situation:
    """Full scale of the converter larger by the share `size`: all codes lower."""
    gain = (1.0 + nominal(situation.built, "converter.gain_error")) / (1.0 + size) - 1.0
    return situation.with_built({"converter.gain_error": gain}, calibrated=False)


def firmware_gain(situation: Situation, size: float) -> Situation:
    """Firmware that counts on a sensitivity larger by the share `size`."""
    for name in SENSOR_GAINS:
        if has(situation.firmware, name):
            value = nominal(situation.firmware, name) * (1.0 + size)
            return replace(situation, firmware=with_nominal(situation.firmware, {name: value}))
    return situation


def warmer(situation: Situation, size: float) -> Situation:
    """Unit warmer by `size` K than stated."""
    return replace(situation, warming=situation.warming + size)


def calibrated_at(what: Literal["dwell", "temperature", "branch"]) -> Effect:
    """Calibration at `size` decades of dwell, or K, from the stated; or on the other branch."""

    def apply(situation: Situation, size: float) -> Situation:
        case = situation.calibrated
        if what == "branch":
            loop = nominal(case, "sensor.hysteresis") * size
            changed = with_nominal(case, {"sensor.hysteresis": loop})
            return replace(situation, calibrated=changed, branches="down")
        name = f"station.{what}"
        old = nominal(case, name)
        new = old * 10.0**size if what == "dwell" else old + size
        return replace(situation, calibrated=with_nominal(case, {name: new}))

    return apply
