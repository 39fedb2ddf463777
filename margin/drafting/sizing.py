"""Example values that follow from the load range: the sensor's loads and curve, and the resistor that sets the gain."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from margin.case import units
from margin.case.build import element_spec, nominal_element
from margin.case.loads import round_inside
from margin.case.quantity import Place
from margin.case.schema import element_model
from margin.case.types import Role
from margin.chain.chain import Chain
from margin.chain.checks import output_limits
from margin.chain.converter import Converter
from margin.chain.parameter import options_of, parameters_of
from margin.chain.preferred_values import preferred_between
from margin.chain.setting import Setting
from margin.drafting.kinds import shown_values

PREFERRED = preferred_between("E24", 1.0, 91e6)
"""ohm, 1 ohm to 91 Mohm."""

SENSITIVE: Mapping[str, float] = {"conductance": 1.5, "ratio": 1.1}
"""Output of a sensitive unit relative to the nominal one, by kind of output (common practice, no source)."""

_OTHERWISE = 1.5
"""The same for an output of any other kind."""

TOLERANCE: Mapping[str, str] = {"conductance": "1 %", "ratio": "0.1 %"}
"""Grade of the resistor that sets the gain, by kind of output (common practice, no source)."""

ROOM = 0.05
"""Share of the range of the output that the top load of a sensitive unit leaves free."""

_LEAST = 0.01
"""Of the top load: where the range is taken to begin if it begins at 0 N or below this share."""


@dataclass(frozen=True)
class Example:
    """A value as a case file has it, and why it was chosen; `note` is empty where nothing is to be said."""

    value: Any
    note: str = ""


def middle_load(low: float, high: float) -> float:
    """Geometric middle of the range, N, to two digits; of a range from 0 N that of its upper part."""
    return round_inside(math.sqrt(max(low, _LEAST * high) * high if low == 0.0 else low * high), low, high)


def rated_load(high: float) -> float:
    """The next of 1, 2, 5, 10, ... at or above the top load, N."""
    decade = 10.0 ** math.floor(math.log10(high))
    return next(step * decade for step in (1.0, 2.0, 5.0, 10.0) if step * decade >= high * (1.0 - 1e-12))


def _film(low: float, high: float, output_kind: str) -> dict[str, Example]:
    load = units.show(middle_load(low, high), "N")
    return {"reference_load": Example(load, "geometric middle of the load range")}


def _bridge(low: float, high: float, output_kind: str) -> dict[str, Example]:
    return {"rated_load": Example(units.show(rated_load(high), "N"), "the next rating above the top load")}


def _curve(low: float, high: float, output_kind: str) -> dict[str, Example]:
    """Six points, geometrically spaced for a film, evenly for a bridge; as thin film and bridge are elsewhere."""
    start = max(low, _LEAST * high)
    if output_kind == "ratio":
        shares = [0.0, 0.2, 0.4, 0.6, 0.8, 1.0]
        loads, outputs = [s * high for s in shares], [f"{2.0 * s:.4g} mV/V" for s in shares]
    else:
        loads = [0.0, *(float(f"{x:.2g}") for x in np.geomspace(start, high, 6)[:-1]), high]
        middle = middle_load(low, high)
        outputs = [units.show(20e-6 * (load / middle) ** 0.9, "S") for load in loads]
    return {
        "output_kind": Example(output_kind),
        "loads": Example([units.show(load, "N") for load in loads]),
        "outputs": Example(outputs),
    }


_SIZED: Mapping[str, Callable[[float, float, str], dict[str, Example]]] = {
    "thin film": _film,
    "strain-gauge bridge": _bridge,
    "tabulated": _curve,
}


def sensor_examples(kind: str, cls: type, output_kind: str, low: float, high: float) -> dict[str, Example]:
    """What a case of this sensor must state, by key in the order of the declaration.

    A sensor of one's own: each load it must know is the geometric middle of the range, the rest as in messages.
    """
    sized = _SIZED[kind](low, high, output_kind) if kind in _SIZED else {}
    shown = shown_values("example", "sensor", kind, {"output_kind": output_kind})
    found = {key: Example(value) for key, value in shown.items()} | sized
    for key, declared in parameters_of(cls).items():
        if declared.default is None and key not in found and declared.unit == "N":
            found[key] = Example(
                units.show(middle_load(low, high), "N"), "geometric middle of the load range"
            )
    return _in_order(cls, found | stated_as_shown("sensor", cls, found))


def element_of(role: Role, kind: str, cls: type, examples: Mapping[str, Example]) -> Any:
    """The element with these values and defaults. Raises ValueError where it refuses them."""
    table = element_model(role, kind, cls).model_validate(
        {"kind": kind, **{key: example.value for key, example in examples.items()}}
    )
    return nominal_element(element_spec(role, cls, table, {}))


def circuit_examples(
    kind: str, cls: type, sensor: Any, interface: Any, low: float, high: float
) -> dict[str, Example]:
    """What a case of this circuit must state; the first resistor without an example sets the gain.

    It is the preferred value with which the signal spans most over the range while the top load of a sensitive
    unit, and the lowest load of any, stay within swing and reference. The top load is the rated one where the
    sensor has a rating above it.
    """
    found = {key: Example(value) for key, value in shown_values("example", "circuit", kind, {}).items()}
    found = {key: each for key, each in found.items() if key in parameters_of(cls)}
    wanted = (
        key
        for key, declared in parameters_of(cls).items()
        if declared.default is None and declared.unit == "ohm" and key not in found
    )
    gain = next(wanted, None)
    found |= {key: each for key, each in stated_as_shown("circuit", cls, found).items() if key != gain}
    if gain is not None:
        first = Example("10 kohm")
        circuit = element_of("circuit", kind, cls, {**found, gain: first})
        top = max(high, float(getattr(sensor, "rated_load", high)))
        value, note = _resistor(interface, sensor, circuit, gain, (max(low, _LEAST * top), top))
        grade = TOLERANCE.get(sensor.output_kind, "1 %")
        tolerance = f" +/- {grade}" if parameters_of(cls)[gain].grades == "tolerance" else ""
        found[gain] = Example(f"{units.show(value, 'ohm')}{tolerance}", note)
    return _in_order(cls, found)


def _resistor(
    interface: Any, sensor: Any, circuit: Any, key: str, loads: tuple[float, float]
) -> tuple[float, str]:
    """The preferred value (ohm) and what it makes of the top load."""
    choices = [_signal(interface, sensor, circuit, key, value, loads) for value in PREFERRED]
    best = max(choices, key=lambda each: each.rank)
    if not math.isfinite(best.top):
        return 10e3, ""
    if best.rank[0] == 0:
        return best.value, "no preferred value keeps the whole range within swing and reference"
    factor = SENSITIVE.get(sensor.output_kind, _OTHERWISE)
    reached = f"{units.show(best.top, 'V', 3)} at {units.show(loads[1], 'N')}"
    return best.value, f"{reached}, room for a unit {factor:g} times as sensitive"


@dataclass(frozen=True)
class _Signal:
    """What one value of the resistor makes of the range.

    top        V at the top load, nominal
    span       of the nominal signal over the loads, as a share of the range of the output
    near, far  room left at the top and at the lowest load, as a share of that range; negative beyond it
    """

    value: float
    top: float
    span: float
    near: float
    far: float

    @property
    def rank(self) -> tuple[int, float]:
        if self.near >= ROOM and self.far >= 0.0:
            return 2, self.span
        if self.near >= 0.0 and self.far >= 0.0:
            return 1, self.span
        return 0, min(self.near, self.far)


def _signal(
    interface: Any, sensor: Any, circuit: Any, key: str, value: float, loads: tuple[float, float]
) -> _Signal:
    setting = Setting(peak=loads[1])
    chain = Chain(interface, sensor, dataclasses.replace(circuit, **{key: value}), Converter(bits=12))
    factor = SENSITIVE.get(sensor.output_kind, _OTHERWISE)

    def volts(share: float) -> tuple[float, float]:
        output = chain.sensor.output(interface.transmit(np.asarray(loads), setting), setting) * share
        operated = chain.circuit.operate(
            output, sensor.voltage_coefficient, sensor.voltage_reference, setting
        )
        first, last = np.broadcast_to(np.asarray(chain.circuit.voltage(operated, setting), dtype=float), (2,))
        return float(first), float(last)

    with np.errstate(all="ignore"):
        (first, last), sensitive, dull = volts(1.0), volts(factor), volts(1.0 / factor)
        lowest, highest = (float(limit) for limit in output_limits(chain, setting))
    span = highest - lowest
    rising = last >= first
    near = highest - sensitive[1] if rising else sensitive[1] - lowest
    far = min(sensitive[0], dull[0]) - lowest if rising else highest - max(sensitive[0], dull[0])
    shares = (abs(last - first) / span, near / span, far / span)
    if not all(map(math.isfinite, (last, *shares))):
        return _Signal(value, math.nan, -math.inf, -math.inf, -math.inf)
    return _Signal(value, last, *shares)


def stated_as_shown(role: Role, cls: type, found: Mapping[str, Example] | None = None) -> dict[str, Example]:
    """What an element must state beside `found`, as messages show it."""
    found = found or {}
    rest: dict[str, Example] = {}
    for key, declared in parameters_of(cls).items():
        if declared.draw is None and declared.default is None and key not in found:
            tolerance = " +/- 1 %" if declared.grades == "tolerance" else ""
            rest[key] = Example(f"{Place(role, key, declared).example}{tolerance}")
    for key in _required_options(cls):
        if key not in found:
            option = options_of(cls)[key]
            rest[key] = Example(option.choices[0] if option.choices else _PLAIN.get(option.kind, ""))
    return rest


_PLAIN: Mapping[type, Any] = {int: 1, float: 1.0, bool: False, tuple: [0.0, 1.0]}


def _required_options(cls: type) -> Iterator[str]:
    for field in dataclasses.fields(cls):
        if field.name in options_of(cls) and field.default is dataclasses.MISSING:
            yield field.name


def _in_order(cls: type, found: Mapping[str, Example]) -> dict[str, Example]:
    return {field.name: found[field.name] for field in dataclasses.fields(cls) if field.name in found}
