"""Inverting amplifier: the sensor's current through a feedback resistor (transimpedance stage)."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from margin.chain.circuits import parts
from margin.chain.circuits.front_end import ConductanceFrontEnd, Port
from margin.chain.elements import Sensor
from margin.chain.laws import absent, reciprocal
from margin.chain.parameter import Value, parameter
from margin.chain.setting import Setting


@dataclass(frozen=True, kw_only=True)
class InvertingAmplifier(ConductanceFrontEnd):
    """Output voltage, V = Vb + D Rf G: linear in conductance, under a constant sensor voltage D.

    D = drive_ratio * reference lies across the sensor, Vb = bias_ratio * reference at the other input; both
    come from the one reference, so that a ratiometric converter cancels it. With e = 1/A, offset Vos, bias
    current Ib, source resistance Ro and leakage Gl (G + Gl for G), Kirchhoff at the summing node Vm gives
      u [(1 + e)(1 + Ro G) + e Rf G] = Vos + D (1 + e) - e Vb - e Rf Ib
      Vm = Vb - D + u (1 + Ro G),    V = Vm + Rf (u G + Ib)
    and for Ro = 0, e = 0: V = Vb + D Rf G + Vos (1 + Rf G) + Ib Rf. The filter capacitor lies across Rf.

    Where the columns of an array share the amplifier, the leakage of their switches adds to Ib (`switched`).

    switched_columns, switch_leakage, switch_leakage_doubling  those of the sensor; 0 columns: nothing is switched
    """

    kind: ClassVar[str] = "inverting amplifier"
    gain_key: ClassVar[str | None] = "feedback"
    ratio_keys: ClassVar[tuple[str, ...]] = ("drive_ratio", "bias_ratio")
    virtual_ground: ClassVar[bool] = True

    feedback: Value = parameter("ohm", positive=True, grades="tolerance", doc="feedback resistor")
    feedback_tempco: Value = parameter(
        "1/K",
        0.0,
        cause="temperature",
        grades="temperature coefficient",
        doc="relative change of the resistor with temperature",
    )
    feedback_ageing: Value = parameter(
        "", 0.0, cause="ageing", doc="relative drift of the resistor over 1000 h"
    )
    drive_ratio: Value = parameter("", 1.0, positive=True, doc="sensor voltage relative to the reference")
    bias_ratio: Value = parameter("", 0.0, doc="voltage at the other input relative to the reference")
    input_capacitance: Value = parameter(
        "F",
        0.0,
        minimum=0.0,
        doc="of sensor, cable and amplifier at the inverting input, for the phase margin; 0: not stated",
    )

    switched_columns: int = 0
    switch_leakage: Value = 0.0
    switch_leakage_doubling: Value = 10.0

    def joined_to(self, sensor: Sensor) -> InvertingAmplifier:
        """The circuit with the switches by which the columns of this sensor's array share it."""
        columns = int(getattr(sensor, "columns", 1))
        columns = columns if columns > 1 and not absent(getattr(sensor, "switch_leakage", 0.0)) else 0
        if columns == 0:
            return self if self.switched_columns == 0 else dataclasses.replace(self, switched_columns=0)
        taken = {name: getattr(sensor, name) for name in ("switch_leakage", "switch_leakage_doubling")}
        return dataclasses.replace(self, switched_columns=columns, **taken)

    def switched(self, setting: Setting) -> Value:
        """Current out of the amplifier's input into the switches of the columns, A.

        Each line of the array has one closed and one open switch, which leaks i from the line; the open ones of the
        other columns leak i each from the amplifier's input too. Of what the lines leak the amplifier provides i: that
        of its own column less a share of (resistance of a switch) x (conductances on the column), which the rows
        return as much of. So the sum is the number of columns times i, to the first order of that share (nodal
        analysis in tests/chain/test_switch_leakage.py). It doubles with each `switch_leakage_doubling` of warming.
        """
        if self.switched_columns == 0:
            return 0.0
        warmer = np.exp(np.log(2.0) * setting.warming / self.switch_leakage_doubling)
        result: Value = self.switched_columns * self.switch_leakage * warmer
        return result

    def input_current(self, setting: Setting) -> Value:
        """Bias current at temperature and leakage of the switches, A."""
        current, leaking = super().input_current(setting), self.switched(setting)
        return current if absent(leaking) else current + leaking

    def _resistance(self, setting: Setting) -> Value:
        return parts.at_setting(
            self.feedback, self.feedback_tempco, self.feedback_ageing, setting, self.resistor_drift
        )

    def port(self, setting: Setting) -> Port:
        """A stiff voltage, softened by the source resistance and a finite open-loop gain."""
        vr, rf, ro = self.reference_voltage(setting), self._resistance(setting), self.source_resistance
        e = reciprocal(self.open_loop_gain)
        loading = ro if absent(e) else ro * (1.0 + e) + e * rf
        error = e * (self.bias_ratio * vr + rf * self.input_current(setting))
        source = self.offset_voltage(setting) + self.drive_ratio * vr * (1.0 + e) - error
        return Port(source, 1.0 + e + loading * self.leakage, loading)

    def static_voltage(self, output: Value, setting: Setting) -> Value:
        """Output voltage, V, at rest and without noise."""
        g = self.loaded(output)
        u = self.sensor_voltage(output, setting)
        drive = (self.bias_ratio - self.drive_ratio) * self.reference_voltage(setting)
        summing = drive + (u if absent(self.source_resistance) else u * (1.0 + self.source_resistance * g))
        return summing + self._resistance(setting) * (u * g + self.input_current(setting))

    def output_from(self, voltage: Value, setting: Setting) -> Value:
        """Conductance, S: i / (D + Vos - Ro i) - Gl with the sensor's current i = (V - Vb - Vos) / Rf - Ib."""
        vr, offset = self.reference_voltage(setting), self.offset_voltage(setting)
        summing = self.bias_ratio * vr + offset
        current = (voltage - summing) / self._resistance(setting) - self.input_current(setting)
        across = self.drive_ratio * vr + offset
        return self.without_leakage(current / self.behind_source(across, current, setting))

    def noise_gain(self, output: Value, setting: Setting) -> Value:
        """1 + Rf G."""
        return 1.0 + self._resistance(setting) * self._seen(output)

    def time_constant(self, output: Value, setting: Setting) -> Value:
        """s: Rf times the capacitor across it."""
        return self.capacitor * self._resistance(setting)

    def noise_density(self, output: Value, setting: Setting) -> Value:
        """Squared density, V2/Hz: (en (1 + Rf G))^2 + (in Rf)^2 + 4 k T Rf + 4 k T G Rf^2."""
        rf = self._resistance(setting)
        amplifier = (self.voltage_noise * self.noise_gain(output, setting)) ** 2 + (
            self.current_noise * rf
        ) ** 2
        resistors = parts.johnson_density(rf * (1.0 + rf * self._seen(output)), setting.temperature)
        return amplifier + resistors

    def output_current(self, output: Value, setting: Setting) -> Value:
        """A, into the load and through the feedback into the sensor."""
        through = self.sensor_voltage(output, setting) * self.loaded(output)
        return self.into_load(self.static_voltage(output, setting)) + through + self.input_current(setting)

    def phase_margin(self, output: Value, setting: Setting) -> Value:
        """Degrees, with `input_capacitance` at the inverting input; see `parts.phase_margin`."""
        return parts.phase_margin(
            self.noise_gain(output, setting),
            self._resistance(setting),
            self.capacitor,
            self.input_capacitance,
            self.gain_bandwidth,
        )

    def output_resistance(self, output: Value, setting: Setting) -> Value:
        """0 ohm: an amplifier's output."""
        return 0.0

    def _seen(self, output: Value) -> Value:
        """Conductance at the summing node, S: sensor and leakage behind the source resistance."""
        g = self.loaded(output)
        return g / (1.0 + self.source_resistance * g)
