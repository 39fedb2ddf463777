"""What all front ends have in common: reference, amplifier terms, filter, noise, limits."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import ClassVar, NamedTuple

import numpy as np

from margin.chain.circuits import parts
from margin.chain.elements import OutputKind
from margin.chain.laws import absent, reciprocal
from margin.chain.parameter import Value, draw, option, parameter
from margin.chain.setting import Setting


@dataclass(frozen=True, kw_only=True)
class FrontEnd(ABC):
    """Fields and laws of every front end; a circuit adds its equation.

    voltage = static voltage of the output + noise + flicker noise of the amplifier

    White noise is new in each conversion; flicker noise is so slow that it is one value for all readings of a
    placement. That of the reference is in `reference_voltage`, which a ratiometric converter shares: there it cancels.

    Filter and closed-loop bandwidth are two poles that a swinging load must pass (`followed`); a load at rest
    passes unchanged. Terms left at 0 are ideal: an open-loop gain, bandwidth or upper swing of 0 means 'no limit'.
    """

    reference: Value = parameter(
        "V", positive=True, grades="tolerance", doc="reference voltage that drives the sensor"
    )
    reference_tempco: Value = parameter(
        "1/K",
        0.0,
        cause="temperature",
        grades="temperature coefficient",
        doc="relative change of the reference with temperature",
    )
    reference_ageing: Value = parameter(
        "", 0.0, cause="ageing", doc="relative drift of the reference over 1000 h"
    )
    reference_activation: Value = parameter(
        "eV",
        0.0,
        minimum=0.0,
        maximum=3.0,
        cause="ageing",
        doc="activation energy of the drift of the reference (Arrhenius); 0: the same at all temperatures",
    )
    reference_noise: Value = parameter(
        "",
        0.0,
        minimum=0.0,
        cause="noise",
        doc="white noise of the reference in one conversion, relative rms",
    )
    reference_flicker: Value = parameter(
        "", 0.0, minimum=0.0, cause="noise", doc="slow noise of the reference, 0.1 Hz to 10 Hz, relative rms"
    )
    resistor_drift: str = option(
        parts.LAWS[0],
        choices=parts.LAWS,
        doc="drift of resistors with age: by the root of time, or as films, by its cube root and service temperature",
    )
    source_resistance: Value = parameter("ohm", 0.0, minimum=0.0, doc="resistance of the source of the drive")
    offset: Value = parameter("V", 0.0, doc="input offset voltage of the amplifier")
    offset_drift: Value = parameter(
        "V/K", 0.0, cause="temperature", doc="change of the offset with temperature"
    )
    bias_current: Value = parameter("A", 0.0, doc="current into the amplifier's input")
    bias_drift: Value = parameter(
        "A/K", 0.0, cause="temperature", doc="change of the bias current with temperature"
    )
    open_loop_gain: Value = parameter("", 0.0, minimum=0.0, doc="of the amplifier; 0: infinite")
    gain_bandwidth: Value = parameter("Hz", 0.0, minimum=0.0, doc="gain-bandwidth product; 0: no limit")
    swing_low: Value = parameter("V", 0.0, doc="lowest output voltage")
    swing_high: Value = parameter("V", 0.0, minimum=0.0, doc="highest output voltage; 0: no limit")
    load_resistance: Value = parameter("ohm", 0.0, minimum=0.0, doc="load on the output; 0: none")
    output_current_limit: Value = parameter(
        "A", 0.0, minimum=0.0, doc="largest output current; 0: none stated"
    )
    capacitor: Value = parameter(
        "F", 0.0, minimum=0.0, grades="tolerance", doc="filter capacitor; 0: no filter"
    )
    voltage_noise: Value = parameter(
        "V/Hz**0.5", 0.0, minimum=0.0, cause="noise", doc="input voltage noise density"
    )
    current_noise: Value = parameter(
        "A/Hz**0.5", 0.0, minimum=0.0, cause="noise", doc="input current noise density"
    )
    noise_bandwidth: Value = parameter(
        "Hz",
        0.0,
        minimum=0.0,
        cause="noise",
        doc="noise bandwidth where there is no filter capacitor; 0: no noise",
    )
    flicker_corner: Value = parameter(
        "Hz",
        0.0,
        minimum=0.0,
        cause="noise",
        doc="frequency at which flicker and white voltage noise are equal; 0: no flicker noise",
    )
    flicker_lowest: Value = parameter(
        "Hz",
        0.1,
        positive=True,
        cause="noise",
        doc="lowest frequency of the flicker noise that counts: one over the time since the zero was taken",
    )
    noise_draw: Value = draw(
        "normal",
        level="reading",
        needs=("capacitor", "noise_bandwidth"),
        cause="noise",
        doc="noise of sensor, resistors and amplifier",
    )
    flicker_draw: Value = draw(
        "normal",
        level="loading",
        needs=("flicker_corner",),
        cause="noise",
        doc="flicker noise of the amplifier",
    )
    reference_noise_draw: Value = draw(
        "normal", level="reading", scales="reference_noise", doc="white noise of the reference"
    )
    reference_flicker_draw: Value = draw(
        "normal", level="loading", scales="reference_flicker", doc="slow noise of the reference"
    )

    kind: ClassVar[str]
    accepts: ClassVar[OutputKind]
    gain_key: ClassVar[str | None] = None
    pedestal_key: ClassVar[str | None] = None
    ratio_keys: ClassVar[tuple[str, ...]] = ()
    """Ratios of the reference that a design chooses beside the resistor `gain_key`."""
    virtual_ground: ClassVar[bool] = False

    @abstractmethod
    def operate(self, output: Value, coefficient: Value, voltage_reference: Value, setting: Setting) -> Value:
        """Output of the sensor at the voltage that this circuit puts across it."""

    @abstractmethod
    def sensor_voltage(self, output: Value, setting: Setting) -> Value:
        """Voltage across the sensor, V."""

    @abstractmethod
    def sensor_current(self, output: Value, setting: Setting) -> Value:
        """Current through the sensor, A."""

    @abstractmethod
    def static_voltage(self, output: Value, setting: Setting) -> Value:
        """Output voltage, V, at rest and without noise."""

    @abstractmethod
    def output_from(self, voltage: Value, setting: Setting) -> Value:
        """Sensor output that gives `voltage` at rest, with all terms but a finite open-loop gain.

        What firmware computes from the values of the design. Open-loop gain and common-mode rejection are stated
        as limits, not as values that a design could count on: they are left out.
        """

    @abstractmethod
    def noise_gain(self, output: Value, setting: Setting) -> Value:
        """Closed-loop gain from the amplifier's input to the output."""

    @abstractmethod
    def time_constant(self, output: Value, setting: Setting) -> Value:
        """Time constant of the filter pole, s; 0 without a capacitor."""

    @abstractmethod
    def noise_density(self, output: Value, setting: Setting) -> Value:
        """Squared noise density at the output, V2/Hz, inside the bandwidth."""

    @abstractmethod
    def output_current(self, output: Value, setting: Setting) -> Value:
        """Current out of the amplifier, A, into its load and its feedback."""

    @abstractmethod
    def output_resistance(self, output: Value, setting: Setting) -> Value:
        """Source resistance that a converter sees, ohm."""

    def output_capacitance(self) -> Value:
        """Capacitance across a converter's input, F: none, unless the circuit's filter lies there."""
        return 0.0

    def voltage(self, output: Value, setting: Setting) -> Value:
        """Output voltage, V, noise included, before the limits of the output swing."""
        voltage = self.static_voltage(output, setting)
        silent = absent(self.capacitor) and absent(self.noise_bandwidth)
        if not silent and not absent(self.noise_draw):
            voltage = voltage + self.noise_draw * self.noise_rms(output, setting)
        if not absent(self.flicker_corner) and not absent(self.flicker_draw):
            voltage = voltage + self.flicker_draw * self.flicker_rms(output, setting)
        return voltage

    def followed(self, unloaded: Value, output: Value, setting: Setting) -> Value:
        """Sensor output, S or V/V, as filter and amplifier follow it under a load that swings.

        unloaded  sensor output without a load; output: under the load F of the check point

        The load is F(t) = F / 2 (1 - cos 2 pi f t): F is the peak of a swing from the unloaded state. The output is
        taken to swing as a sine about its mean, m - a cos 2 pi f t with m = (output + unloaded) / 2 and
        a = (output - unloaded) / 2. The mean passes unchanged, the swing by H = 1 / ((1 + j f / f1) (1 + j f / f2)),
        f1 the filter pole and f2 the closed-loop bandwidth, both at the mean output. Then the reading is off by

        swing_reading 'instantaneous'   a |1 - H|, the most by which a reading at any instant of the cycle lags:
                                        low on the ascending branch, high on the descending one
        swing_reading 'peak'            a (1 - |H|), always low: firmware that captures the peak

        Exact where voltage is linear in the output and the poles do not move with it; else (voltage divider,
        constant current) the linearisation about the mean.
        """
        first, second = self._over_poles(0.5 * (unloaded + output), setting)
        swing = 0.5 * (output - unloaded)
        if setting.swing_reading == "peak":
            return output - swing * (1.0 - parts.one_pole(first) * parts.one_pole(second))
        missing = swing * parts.lag(first, second)
        if absent(setting.descending):
            return output - missing
        return output - missing * (1.0 - 2.0 * setting.descending)

    def _over_poles(self, output: Value, setting: Setting) -> tuple[Value, Value]:
        """Load frequency over that of the filter pole, and over the closed-loop bandwidth."""
        f = setting.load_frequency
        slow = 0.0 if absent(self.capacitor) else 2.0 * np.pi * f * self.time_constant(output, setting)
        if absent(self.gain_bandwidth):
            return slow, 0.0
        return slow, f * self.noise_gain(output, setting) / self.gain_bandwidth

    def bandwidth(self, output: Value, setting: Setting) -> Value:
        """Corner frequency, Hz, of filter and amplifier together (0: neither limits).

        1 / fc^2 adds up over the poles: the exact -3 dB point of one pole, and close to it where one of two
        poles is much lower.
        """
        slow = 2.0 * np.pi * self.time_constant(output, setting)
        amplifier = reciprocal(self.gain_bandwidth) * self.noise_gain(output, setting)
        return reciprocal(np.hypot(slow, amplifier))

    def noise_rms(self, output: Value, setting: Setting) -> Value:
        """Noise at the output, V rms: density times the root of the noise bandwidth."""
        width = parts.noise_bandwidth(self.time_constant(output, setting), self.noise_bandwidth)
        result: Value = np.sqrt(self.noise_density(output, setting) * width)
        return result

    def flicker_rms(self, output: Value, setting: Setting) -> Value:
        """Flicker noise of the amplifier at the output, V rms."""
        width = parts.flicker_bandwidth(
            self.flicker_corner,
            self.flicker_lowest,
            self.time_constant(output, setting),
            self.noise_bandwidth,
        )
        result: Value = self.voltage_noise * self.noise_gain(output, setting) * np.sqrt(width)
        return result

    def swing(self, setting: Setting) -> tuple[Value, Value]:
        """Lowest and highest voltage, V, that the output reaches."""
        if absent(self.swing_high):
            return self.swing_low, float("inf")
        return self.swing_low, self.swing_high

    def reference_voltage(self, setting: Setting) -> Value:
        """Reference, V, unloaded, at its temperature and age, with its noise: what a ratiometric converter shares."""
        reference = parts.at_setting(
            self.reference,
            self.reference_tempco,
            self.reference_ageing,
            setting,
            activation=self.reference_activation,
        )
        if not absent(self.reference_noise):
            reference = reference * (1.0 + self.reference_noise * self.reference_noise_draw)
        if not absent(self.reference_flicker):
            reference = reference * (1.0 + self.reference_flicker * self.reference_flicker_draw)
        return reference

    def offset_voltage(self, setting: Setting) -> Value:
        """Input offset at temperature, V."""
        if absent(self.offset_drift):
            return self.offset
        return self.offset + self.offset_drift * setting.warming

    def input_current(self, setting: Setting) -> Value:
        """Bias current at temperature, A."""
        if absent(self.bias_drift):
            return self.bias_current
        return self.bias_current + self.bias_drift * setting.warming

    def into_load(self, voltage: Value) -> Value:
        """Current into the load on the output, A."""
        return voltage * reciprocal(self.load_resistance)


class Port(NamedTuple):
    """What the sensor's terminals show of a linear circuit: u = source / (standing + loading * G).

    The form covers a stiff voltage (loading 0) and a current source (standing 0) alike.
    """

    source: Value
    standing: Value
    loading: Value


@dataclass(frozen=True, kw_only=True)
class ConductanceFrontEnd(FrontEnd):
    """Front end of a sensor that is a conductance: its voltage follows from the circuit around it."""

    accepts: ClassVar[OutputKind] = "conductance"

    leakage: Value = parameter("S", 0.0, minimum=0.0, doc="conductance of board and cable beside the sensor")

    @abstractmethod
    def port(self, setting: Setting) -> Port:
        """The circuit as the sensor sees it, leakage included."""

    def operate(self, output: Value, coefficient: Value, voltage_reference: Value, setting: Setting) -> Value:
        """Conductance, S, at the voltage that this circuit puts across the sensor."""
        if absent(coefficient):
            return output
        u = self.limited(parts.operating_voltage(*self.port(setting), output, coefficient, voltage_reference))
        return output * (1.0 + coefficient * (u - voltage_reference))

    def sensor_voltage(self, output: Value, setting: Setting) -> Value:
        """Voltage across the sensor, V, from its conductance (S) at that voltage."""
        source, standing, loading = self.port(setting)
        if absent(loading):
            return self.limited(source / standing)
        return self.limited(source / (standing + loading * output))

    def sensor_current(self, output: Value, setting: Setting) -> Value:
        """Current through the sensor, A."""
        return output * self.sensor_voltage(output, setting)

    def loaded(self, output: Value) -> Value:
        """Conductance of sensor and leakage together, S."""
        return output if absent(self.leakage) else output + self.leakage

    def without_leakage(self, loaded: Value) -> Value:
        """Inverse of `loaded`."""
        return loaded if absent(self.leakage) else loaded - self.leakage

    def behind_source(self, drive: Value, current: Value, setting: Setting) -> Value:
        """Voltage (V) that a drive (V) leaves across the sensor behind the source resistance, at least a trace."""
        across = drive if absent(self.source_resistance) else drive - self.source_resistance * current
        result: Value = np.maximum(across, parts.NEAREST * self.reference_voltage(setting))
        return result

    def limited(self, sensor_voltage: Value) -> Value:
        """Sensor voltage, V, that the drive can keep up; a current source has a compliance."""
        return sensor_voltage
