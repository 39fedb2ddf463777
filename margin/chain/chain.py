"""The whole chain from load to code."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np

from margin.chain.converter import Converter
from margin.chain.elements import (
    Circuit,
    Contact,
    FilteredOutput,
    FollowingCircuit,
    Interface,
    JoinedCircuit,
    LoadedOutput,
    SelfHeatingSensor,
    Sensor,
    SettlingCircuit,
)
from margin.chain.laws import absent
from margin.chain.parameter import Value, parameters_of
from margin.chain.setting import Setting

HEATING_STEPS = 8
"""Steps towards the output of a sensor that warms itself: where warming adds 5 %, 5 % to the power of 8 is left."""


@dataclass(frozen=True)
class Response:
    """What a chain does under a load; every array broadcasts over (unit, condition, loading, reading, load).

    code     of the converter, a float that holds a whole number
    voltage  V, at the circuit's output, noise included, before the limits of its swing
    counts   of the converter before rounding and limiting, swing included
    clipped  whether voltage or counts lie beyond a limit
    output   of the sensor at the voltage that the circuit puts across it, S or V/V
    contact  at the sensor
    """

    code: Any
    voltage: Value
    counts: Value
    clipped: Any
    output: Value
    contact: Contact
    circuit: Circuit
    setting: Setting

    @property
    def sensor_voltage(self) -> Value:
        """Voltage across the sensor, V."""
        return self.circuit.sensor_voltage(self.output, self.setting)


@dataclass(frozen=True)
class Chain:
    """Interface, sensor, circuit and converter of one unit, or of many where their fields are arrays.

    A circuit that needs to know of its sensor (`JoinedCircuit`) is joined to it here, whichever draws both hold.

    Raises ValueError where the circuit cannot read this kind of sensor, or an array without a virtual ground.
    """

    interface: Interface
    sensor: Sensor
    circuit: Circuit
    converter: Converter

    def __post_init__(self) -> None:
        if self.sensor.output_kind != self.circuit.accepts:
            raise ValueError(
                f"circuit {self.circuit.kind!r} reads a {self.circuit.accepts}, but sensor "
                f"{self.sensor.kind!r} puts out a {self.sensor.output_kind}: choose a circuit that accepts it"
            )
        if getattr(self.sensor, "in_array", False) and not getattr(self.circuit, "virtual_ground", False):
            raise ValueError(
                f"an array needs a circuit with a virtual ground on its columns, and {self.circuit.kind!r} has none: "
                "choose 'inverting amplifier'"
            )
        if isinstance(self.circuit, JoinedCircuit):
            object.__setattr__(self, "circuit", self.circuit.joined_to(self.sensor))

    def respond(self, load: Value, setting: Setting) -> Response:
        """Response to `load` (N).

        load -> contact -> sensor output -> operating point -> voltage -> swing -> code. The circuit's noise
        is that of one conversion; where the converter averages N of them it is taken as independent from one
        to the next and falls as 1 / sqrt(N). Under a load frequency `load` is the peak of a swing from the
        unloaded state, which the circuit follows as far as it can (`FrontEnd.followed`). Along a load history
        (`setting.memory`) the last axis of `load` is that of its steps.
        """
        contact = self.interface.transmit(load, setting)
        circuit = averaged(self.circuit, self.converter.averaging)
        output = self._operated(contact, circuit, setting)
        followed = output
        if not absent(setting.load_frequency) and isinstance(circuit, FollowingCircuit):
            unloaded = self._operated(self.interface.transmit(0.0, setting), circuit, setting)
            followed = circuit.followed(unloaded, output, setting)
        if setting.memory is not None and isinstance(circuit, SettlingCircuit):
            followed = setting.memory.settled(followed, circuit.time_constant(followed, setting))
        voltage = circuit.voltage(followed, setting)
        low, high = circuit.swing(setting)
        limited = np.clip(voltage, low, high)
        reference = circuit.reference_voltage(setting)
        counts = self.converter.counts(self._at_converter(limited, output, setting), reference, setting)
        clipped = np.not_equal(limited, voltage) | self.converter.outside(counts)
        code = self.converter.code_of_counts(counts)
        return Response(code, voltage, counts, clipped, output, contact, circuit, setting)

    def unsettled(self, output: Value, setting: Setting) -> Value:
        """Unsettled share of the voltage on the converter's sampling capacitor; 0 where nothing is stated of it."""
        circuit = self.circuit
        if not isinstance(circuit, LoadedOutput):
            return 0.0
        filtered = circuit.output_capacitance() if isinstance(circuit, FilteredOutput) else 0.0
        return self.converter.unsettled(circuit.output_resistance(output, setting), filtered)

    def _operated(self, contact: Contact, circuit: Circuit, setting: Setting) -> Value:
        """Output of the sensor at the voltage that the circuit puts across it, S or V/V."""
        sensor = self.sensor
        at_sensor = self.at_sensor(setting)
        output = sensor.output(contact, at_sensor)
        operated = circuit.operate(output, sensor.voltage_coefficient, sensor.voltage_reference, setting)
        if not isinstance(sensor, SelfHeatingSensor) or not sensor.heats_itself:
            return operated
        # output and power follow from each other: every step leaves the share of the output that warming adds
        for _ in range(HEATING_STEPS):
            power = sensor.power(circuit.sensor_voltage(operated, setting), operated, setting)
            warm = sensor.heated(output, power, at_sensor)
            operated = circuit.operate(warm, sensor.voltage_coefficient, sensor.voltage_reference, setting)
        return operated

    def at_sensor(self, setting: Setting) -> Setting:
        """The setting with the peak of the load cycle as the force that reaches the sensor."""
        if absent(setting.descending):
            return setting
        return dataclasses.replace(setting, peak=self.interface.transmit(setting.peak, setting).force)

    def _at_converter(self, voltage: Value, output: Value, setting: Setting) -> Value:
        """Voltage on the sampling capacitor: less the drop of the input leakage across the circuit's resistance,
        and less what it falls short of when it is disconnected."""
        if not absent(self.converter.input_leakage) and isinstance(self.circuit, LoadedOutput):
            voltage = voltage - self.converter.input_leakage * self.circuit.output_resistance(output, setting)
        unsettled = self.unsettled(output, setting)
        return voltage if absent(unsettled) else voltage * (1.0 - unsettled)


def averaged(circuit: Circuit, conversions: int) -> Circuit:
    """The circuit with its standardised draws at level `reading` divided by the root of the conversions."""
    if conversions == 1 or not dataclasses.is_dataclass(circuit):
        return circuit
    noise = [name for name, p in parameters_of(type(circuit)).items() if p.draw and p.level == "reading"]
    root = float(np.sqrt(conversions))
    return dataclasses.replace(circuit, **{name: getattr(circuit, name) / root for name in noise})
