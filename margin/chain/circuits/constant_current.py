"""Constant current into the sensor: the voltage is the sensor's resistance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from margin.chain.circuits import parts
from margin.chain.circuits.front_end import ConductanceFrontEnd, Port
from margin.chain.laws import reciprocal
from margin.chain.parameter import Value, option, parameter
from margin.chain.setting import Setting


@dataclass(frozen=True, kw_only=True)
class ConstantCurrent(ConductanceFrontEnd):
    """Sensor voltage V = I / G with I = reference / resistor, at most the compliance of the source.

    The signal falls as 1 / load: poor at light load, where it stands at the compliance. With leakage Gl and a
    bias current Ib: V = (I - Ib) / (G + Gl); output (V + offset) / (1 + 1/A) if a follower is there. The
    filter capacitor lies across the sensor. A source resistance does not act on an ideal current source.
    """

    kind: ClassVar[str] = "constant current"
    gain_key: ClassVar[str | None] = "resistor"

    resistor: Value = parameter(
        "ohm", positive=True, grades="tolerance", doc="resistor that sets the current, I = reference / R"
    )
    resistor_tempco: Value = parameter(
        "1/K",
        0.0,
        cause="temperature",
        grades="temperature coefficient",
        doc="relative change of the resistor with temperature",
    )
    resistor_ageing: Value = parameter(
        "", 0.0, cause="ageing", doc="relative drift of the resistor over 1000 h"
    )
    compliance: Value = parameter("V", positive=True, doc="highest sensor voltage that the source can make")
    buffered: bool = option(False, kind=bool, doc="a follower stands between sensor and converter")

    def current(self, setting: Setting) -> Value:
        """Current of the source, A."""
        r = parts.at_setting(
            self.resistor, self.resistor_tempco, self.resistor_ageing, setting, self.resistor_drift
        )
        return self.reference_voltage(setting) / r

    def port(self, setting: Setting) -> Port:
        """A current beside the leakage; beyond the compliance the source is a stiff voltage."""
        current = self.current(setting) - self.input_current(setting)
        # An open sensor without leakage would have no finite voltage: a standing conductance below the last
        # digit of the one at which the compliance ends the range anyway.
        least = 1e-17 * current / self.compliance
        return Port(current, self.leakage + least, 1.0)

    def limited(self, sensor_voltage: Value) -> Value:
        """V, at most the compliance."""
        result: Value = np.minimum(sensor_voltage, self.compliance)
        return result

    def static_voltage(self, output: Value, setting: Setting) -> Value:
        """Output voltage, V, at rest and without noise."""
        node = self.sensor_voltage(output, setting) + self.offset_voltage(setting)
        return node / (1.0 + reciprocal(self.open_loop_gain))

    def output_from(self, voltage: Value, setting: Setting) -> Value:
        """Conductance, S: (I - Ib) / (V - Vos) - Gl; a voltage that no finite conductance gives is held off."""
        nearest = parts.NEAREST * self.reference_voltage(setting)
        node = np.maximum(voltage - self.offset_voltage(setting), nearest)
        return self.without_leakage((self.current(setting) - self.input_current(setting)) / node)

    def node_resistance(self, output: Value, setting: Setting) -> Value:
        """Resistance of the sensor's node, ohm: 1 / (G + Gl), at most compliance over current."""
        least = self.current(setting) / self.compliance
        result: Value = 1.0 / np.maximum(self.loaded(output), least)
        return result

    def noise_gain(self, output: Value, setting: Setting) -> Value:
        """1: the follower."""
        return 1.0

    def time_constant(self, output: Value, setting: Setting) -> Value:
        """s: capacitor times sensor resistance."""
        return self.capacitor * self.node_resistance(output, setting)

    def noise_density(self, output: Value, setting: Setting) -> Value:
        """Squared density, V2/Hz: en^2 + (in Rs)^2 + 4 k T (Rs + Rs^2 / R), the last from R."""
        node = self.node_resistance(output, setting)
        r = parts.at_setting(
            self.resistor, self.resistor_tempco, self.resistor_ageing, setting, self.resistor_drift
        )
        amplifier = self.voltage_noise**2 + (self.current_noise * node) ** 2
        return amplifier + parts.johnson_density(node * (1.0 + node / r), setting.temperature)

    def output_current(self, output: Value, setting: Setting) -> Value:
        """A, into the load on the follower."""
        return self.into_load(self.static_voltage(output, setting))

    def output_resistance(self, output: Value, setting: Setting) -> Value:
        """ohm: that of the sensor, none behind a follower."""
        return 0.0 if self.buffered else self.node_resistance(output, setting)

    def output_capacitance(self) -> Value:
        """F: the filter capacitor, which a follower keeps from the converter."""
        return 0.0 if self.buffered else self.capacitor
