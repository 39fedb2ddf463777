"""Instrumentation amplifier behind a strain-gauge bridge."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import ClassVar

from margin.chain.circuits import parts
from margin.chain.circuits.front_end import FrontEnd
from margin.chain.elements import OutputKind, Sensor
from margin.chain.laws import absent, reciprocal
from margin.chain.leads import both_leads
from margin.chain.parameter import Value, parameter
from margin.chain.setting import Setting

_TAKEN = ("bridge_resistance", "lead_resistance", "lead_tempco", "connector_resistance")


@dataclass(frozen=True, kw_only=True)
class BridgeAmplifier(FrontEnd):
    """Output voltage, V = Vp + Gc (u r + Vos - Ib Rb / 2 + u / (2 CMRR)) + Voo.

    u = D Rs / (Rs + Ro)     excitation D = excitation_ratio * reference behind the source resistance Ro
    Rs = Rb + 2 RL + Rc      bridge, its two supply leads, which change with temperature, and connector: u is the
                             voltage at the far end of the leads
    Gc = N / (1 + N / A)     N = 1 + Ri / Rg, by an internal resistor Ri and the gain resistor Rg
    Vp = pedestal_ratio * reference; Voo, the offset of the output stage. `bias_current` Ib is here the current
    into the non-inverting input less that into the inverting one. Either output corner of the bridge shows an
    input two arms of Rb each in parallel, Rb / 2; what the two currents have in common moves both corners alike.
    `common_mode_rejection` is the plain ratio (1e5 for 100 dB; 0: ideal); the common mode is half the excitation.
    The filter is `filter_resistor` and the capacitor behind the amplifier, at the converter's input.

    The resistances of bridge (`bridge_resistance` Rb), leads and connector are no keys of the circuit: a chain takes
    them from its sensor. What the leads drop is part of the sensor's own ratio.
    """

    kind: ClassVar[str] = "bridge amplifier"
    gain_key: ClassVar[str | None] = "gain_resistor"
    pedestal_key: ClassVar[str | None] = "pedestal_ratio"
    ratio_keys: ClassVar[tuple[str, ...]] = ("pedestal_ratio",)
    accepts: ClassVar[OutputKind] = "ratio"

    internal_resistor: Value = parameter(
        "ohm", positive=True, grades="tolerance", doc="internal resistor Ri of gain 1 + Ri / Rg"
    )
    internal_tempco: Value = parameter(
        "1/K",
        0.0,
        cause="temperature",
        grades="temperature coefficient",
        doc="relative change of the internal resistor",
    )
    gain_resistor: Value = parameter(
        "ohm", positive=True, grades="tolerance", doc="resistor Rg that sets the gain"
    )
    gain_resistor_tempco: Value = parameter(
        "1/K",
        0.0,
        cause="temperature",
        grades="temperature coefficient",
        doc="relative change of the gain resistor",
    )
    gain_resistor_ageing: Value = parameter(
        "", 0.0, cause="ageing", doc="relative drift of the gain resistor over 1000 h"
    )
    excitation_ratio: Value = parameter("", 1.0, positive=True, doc="excitation relative to the reference")
    pedestal_ratio: Value = parameter("", 0.0, doc="output at zero input relative to the reference")
    output_offset: Value = parameter("V", 0.0, doc="offset of the output stage")
    common_mode_rejection: Value = parameter(
        "", 0.0, minimum=0.0, doc="plain ratio, 1e5 for 100 dB; 0: ideal"
    )
    filter_resistor: Value = parameter(
        "ohm", 0.0, minimum=0.0, grades="tolerance", doc="resistor before the filter capacitor"
    )
    bridge_resistance: Value = 350.0
    lead_resistance: Value = 0.0
    lead_tempco: Value = 0.0
    connector_resistance: Value = 0.0

    def joined_to(self, sensor: Sensor) -> BridgeAmplifier:
        """The circuit with the resistances of bridge and supply leads of this sensor, where it states them."""
        return dataclasses.replace(
            self, **{name: getattr(sensor, name, getattr(self, name)) for name in _TAKEN}
        )

    def supplied_resistance(self, setting: Setting) -> Value:
        """Resistance of bridge, supply leads and connector, ohm."""
        leads = both_leads(self.lead_resistance, self.lead_tempco, self.connector_resistance, setting)
        return self.bridge_resistance if absent(leads) else self.bridge_resistance + leads

    def gain(self, setting: Setting) -> Value:
        """Ideal gain, 1 + Ri / Rg."""
        internal = parts.at_setting(self.internal_resistor, self.internal_tempco, 0.0, setting)
        return 1.0 + internal / parts.at_setting(
            self.gain_resistor,
            self.gain_resistor_tempco,
            self.gain_resistor_ageing,
            setting,
            self.resistor_drift,
        )

    def sensor_voltage(self, output: Value, setting: Setting) -> Value:
        """Voltage across the bridge and its supply leads, V."""
        drive = self.excitation_ratio * self.reference_voltage(setting)
        if absent(self.source_resistance):
            return drive
        supplied = self.supplied_resistance(setting)
        return drive * supplied / (supplied + self.source_resistance)

    def sensor_current(self, output: Value, setting: Setting) -> Value:
        """Current into the bridge, A."""
        return self.sensor_voltage(output, setting) / self.supplied_resistance(setting)

    def operate(self, output: Value, coefficient: Value, voltage_reference: Value, setting: Setting) -> Value:
        """Ratio, V/V, at the excitation."""
        if absent(coefficient):
            return output
        u = self.sensor_voltage(output, setting)
        return output * (1.0 + coefficient * (u - voltage_reference))

    def static_voltage(self, output: Value, setting: Setting) -> Value:
        """Output voltage, V, at rest and without noise."""
        u = self.sensor_voltage(output, setting)
        common = 0.5 * u * reciprocal(self.common_mode_rejection)
        pedestal = self.pedestal_ratio * self.reference_voltage(setting) + self.output_offset
        return pedestal + self.noise_gain(output, setting) * (
            u * output + self._input_error(setting) + common
        )

    def output_from(self, voltage: Value, setting: Setting) -> Value:
        """Ratio, V/V: ((V - Vp - Voo) / N - Vos + Ib Rb / 2) / u."""
        pedestal = self.pedestal_ratio * self.reference_voltage(setting) + self.output_offset
        between = (voltage - pedestal) / self.gain(setting) - self._input_error(setting)
        return between / self.sensor_voltage(0.0, setting)

    def _input_error(self, setting: Setting) -> Value:
        """What offset and bias current add between the inputs, V."""
        error = self.offset_voltage(setting)
        current = self.input_current(setting)
        return error if absent(current) else error - 0.5 * current * self.bridge_resistance

    def noise_gain(self, output: Value, setting: Setting) -> Value:
        """Gain with the amplifier's finite open-loop gain, N / (1 + N / A)."""
        gain = self.gain(setting)
        return gain / (1.0 + gain * reciprocal(self.open_loop_gain))

    def time_constant(self, output: Value, setting: Setting) -> Value:
        """s: filter resistor times capacitor."""
        return self.filter_resistor * self.capacitor

    def noise_density(self, output: Value, setting: Setting) -> Value:
        """Squared density, V2/Hz: Gc^2 (en^2 + (in Rb)^2 / 2 + 4 k T Rb) + 4 k T Rf.

        Each input sees half the bridge resistance, hence 2 (in Rb / 2)^2.
        """
        rb = self.bridge_resistance
        amplifier = self.voltage_noise**2 + 0.5 * (self.current_noise * rb) ** 2
        inside = amplifier + parts.johnson_density(rb, setting.temperature)
        after = parts.johnson_density(self.filter_resistor, setting.temperature)
        return self.noise_gain(output, setting) ** 2 * inside + after

    def output_current(self, output: Value, setting: Setting) -> Value:
        """A, into the load."""
        return self.into_load(self.static_voltage(output, setting))

    def output_resistance(self, output: Value, setting: Setting) -> Value:
        """ohm: the filter resistor."""
        return self.filter_resistor

    def output_capacitance(self) -> Value:
        """F: the filter capacitor."""
        return self.capacitor
