"""Non-inverting amplifier: the sensor from the inverting input to ground sets the gain."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from margin.chain.circuits import parts
from margin.chain.circuits.front_end import ConductanceFrontEnd, Port
from margin.chain.laws import absent, reciprocal
from margin.chain.parameter import Value, parameter
from margin.chain.setting import Setting


@dataclass(frozen=True, kw_only=True)
class NonInvertingAmplifier(ConductanceFrontEnd):
    """Output voltage, V = D (1 + Rf G): linear in conductance, above a pedestal D = drive_ratio * reference.

    With e = 1/A, offset Vos, bias current Ib into each input, source resistance Ro and leakage Gl (G + Gl for
    G), Kirchhoff at the inverting node, whose voltage u lies across the sensor, gives
      u [1 + e + e Rf G] = D - Ib Ro + Vos - e Rf Ib,    V = u (1 + Rf G) + Rf Ib
    The filter capacitor lies across Rf and leaves the pedestal as it is.
    """

    kind: ClassVar[str] = "non-inverting amplifier"
    gain_key: ClassVar[str | None] = "feedback"
    ratio_keys: ClassVar[tuple[str, ...]] = ("drive_ratio",)

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
    input_capacitance: Value = parameter(
        "F",
        0.0,
        minimum=0.0,
        doc="of sensor, cable and amplifier at the inverting input, for the phase margin; 0: not stated",
    )

    def _resistance(self, setting: Setting) -> Value:
        return parts.at_setting(
            self.feedback, self.feedback_tempco, self.feedback_ageing, setting, self.resistor_drift
        )

    def port(self, setting: Setting) -> Port:
        """A stiff voltage, softened by a finite open-loop gain."""
        rf, ib = self._resistance(setting), self.input_current(setting)
        e = reciprocal(self.open_loop_gain)
        drive = self.drive_ratio * self.reference_voltage(setting)
        source = drive + self.offset_voltage(setting) - ib * (self.source_resistance + e * rf)
        loading = 0.0 if absent(e) else e * rf
        return Port(source, 1.0 + e + loading * self.leakage, loading)

    def static_voltage(self, output: Value, setting: Setting) -> Value:
        """Output voltage, V, at rest and without noise."""
        rf = self._resistance(setting)
        u = self.sensor_voltage(output, setting)
        return u * (1.0 + rf * self.loaded(output)) + rf * self.input_current(setting)

    def output_from(self, voltage: Value, setting: Setting) -> Value:
        """Conductance, S: ((V - u) / Rf - Ib) / u - Gl with the sensor's voltage u = D - Ib Ro + Vos."""
        ib = self.input_current(setting)
        across = self.drive_ratio * self.reference_voltage(setting) + self.offset_voltage(setting)
        u = across if absent(ib) else across - ib * self.source_resistance
        return self.without_leakage(((voltage - u) / self._resistance(setting) - ib) / u)

    def noise_gain(self, output: Value, setting: Setting) -> Value:
        """1 + Rf G."""
        return 1.0 + self._resistance(setting) * self.loaded(output)

    def time_constant(self, output: Value, setting: Setting) -> Value:
        """s: Rf times the capacitor across it."""
        return self.capacitor * self._resistance(setting)

    def noise_density(self, output: Value, setting: Setting) -> Value:
        """Squared density, V2/Hz, with N = 1 + Rf G:

        N^2 (en^2 + (in Ro)^2 + 4 k T Ro) + (in Rf)^2 + 4 k T Rf N
        """
        rf, ro = self._resistance(setting), self.source_resistance
        gain = self.noise_gain(output, setting)
        amplifier = (self.voltage_noise**2 + (self.current_noise * ro) ** 2) * gain**2
        resistors = parts.johnson_density(ro * gain**2 + rf * gain, setting.temperature)
        return amplifier + (self.current_noise * rf) ** 2 + resistors

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
