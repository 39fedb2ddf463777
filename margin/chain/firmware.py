"""What firmware makes of a code: the chain as designed, backwards."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from margin.chain.chain import Chain
from margin.chain.elements import BranchedInterface, SelfHeatingSensor
from margin.chain.laws import absent
from margin.chain.parameter import Value, parameter
from margin.chain.setting import Setting

AS_DESIGNED = Setting()


@dataclass(frozen=True, kw_only=True)
class FirmwareElement:
    """What the firmware knows of its surroundings, with error."""

    kind: ClassVar[str] = "firmware"

    thermometer_error: Value = parameter(
        "delta_degC",
        0.0,
        cause="temperature",
        doc="indicated less true temperature, where firmware corrects for temperature",
    )


@dataclass(frozen=True)
class Firmware:
    """Nominal inverse of the chain. `nominal` holds plain numbers: the values of the design.

    Of the circuit it counts with every nominal term, source resistance, leakage, offset and bias current among
    them, but open-loop gain and common-mode rejection; of the converter with full scale and bits alone, so that
    gain error, offset, input leakage and unsettled samples stay errors even at their nominal values.

    `setting` is that of the design curve, or one at the measured temperature if firmware corrects by it.
    Codes may be of any shape and need not be whole (means of readings).
    """

    nominal: Chain

    def voltage_of(self, code: Value, setting: Setting = AS_DESIGNED) -> Value:
        """Voltage, V, that the code stands for."""
        reference = self.nominal.circuit.reference_voltage(setting)
        return self.nominal.converter.voltage_from(code, reference, setting)

    def output_of(self, code: Value, setting: Setting) -> Value:
        """Sensor output, S or V/V, at the sensor's reference voltage."""
        return self.output_of_voltage(self.voltage_of(code, setting), setting)

    def force_of(self, code: Value, setting: Setting) -> Value:
        """Load, N, by the design curve."""
        return self.force_of_output(self.output_of(code, setting), setting)

    def output_of_voltage(self, voltage: Value, setting: Setting) -> Value:
        """Sensor output at its reference voltage, from the circuit's output voltage, V.

        The voltage that the circuit puts across the sensor is known, and with it the dependence on voltage and the
        power in the sensor.
        """
        circuit, sensor = self.nominal.circuit, self.nominal.sensor
        operated = circuit.output_from(voltage, setting)
        coefficient = sensor.voltage_coefficient
        heats = isinstance(sensor, SelfHeatingSensor) and sensor.heats_itself
        if absent(coefficient) and not heats:
            return operated
        across = circuit.sensor_voltage(operated, setting)
        output = operated
        if not absent(coefficient):
            output = operated / (1.0 + coefficient * (across - sensor.voltage_reference))
        if isinstance(sensor, SelfHeatingSensor) and heats:
            power = sensor.power(across, operated, setting)
            output = sensor.cooled(output, power, self.nominal.at_sensor(setting))
        return output

    def force_of_voltage(self, voltage: Value, setting: Setting) -> Value:
        """Load, N, from the circuit's output voltage, V."""
        return self.force_of_output(self.output_of_voltage(voltage, setting), setting)

    def force_of_output(self, output: Value, setting: Setting) -> Value:
        """Load, N, from the sensor's output at its reference voltage."""
        interface, sensor = self.nominal.interface, self.nominal.sensor
        force = sensor.force_from(output, self.nominal.at_sensor(setting))
        if isinstance(interface, BranchedInterface):
            return interface.load_on_branch(force, setting)
        return interface.load_from(force)

    def code_of(self, load: Value, setting: Setting) -> Any:
        """Code of the chain as designed under `load` (N)."""
        return self.nominal.respond(load, setting).code

    def blind(self, code: Value, setting: Setting) -> Any:
        """Whether the code shows no force on the sensor: below turn-on, or no load."""
        return self.no_load(self.force_of(code, setting))

    def no_load(self, load: Value) -> Any:
        """Whether a load (N) that the design curve gave is that of a sensor without force."""
        return np.less_equal(load, self.nominal.interface.load_from(0.0))
