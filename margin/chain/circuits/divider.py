"""Voltage divider: the sensor and a resistor in series across the reference."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from margin.chain.circuits import parts
from margin.chain.circuits.front_end import ConductanceFrontEnd, Port
from margin.chain.laws import reciprocal
from margin.chain.parameter import Value, option, parameter
from margin.chain.setting import Setting

POSITIONS = ("sensor to reference", "sensor to ground")


def most_swing(lowest: float, highest: float) -> tuple[float, float]:
    """Resistor (ohm) with which a divider swings most between two conductances (S), and that swing, of the reference.

    R G / (1 + R G) changes by R (Gh - Gl) / ((1 + R Gl) (1 + R Gh)), which is largest at R = 1 / sqrt(Gl Gh): the
    geometric mean of the sensor's resistances. The swing there is (sqrt(r) - 1) / (sqrt(r) + 1) with r = Gh / Gl: 0.818
    at r = 100. Derived here.

    Raises ValueError unless 0 < lowest <= highest.
    """
    if not 0.0 < lowest <= highest < np.inf:
        raise ValueError(f"conductances must be positive and ascend (got {lowest} and {highest})")
    root = float(np.sqrt(highest / lowest))
    return float(1.0 / np.sqrt(lowest * highest)), (root - 1.0) / (root + 1.0)


@dataclass(frozen=True, kw_only=True)
class Divider(ConductanceFrontEnd):
    """Divider voltage, V, straight into the converter or through a follower (option `buffered`).

    sensor to reference   V = Vr R G / (1 + R G)     rises with the load, concave
    sensor to ground      V = Vr / (1 + R G)         falls with the load
    With a source resistance Ro, a leakage Gl (G + Gl for G) and a current Ib out of the middle node:
      to reference   u (1 + (Ro + R)(G + Gl)) = Vr + Ib R,            V = R (u (G + Gl) - Ib)
      to ground      u (1 + (Ro + R)(G + Gl)) = Vr - Ib (Ro + R),     V = u
    where u is the sensor's voltage. Output: (V + offset) / (1 + 1/A). The filter capacitor lies across the
    middle node, so its pole moves with the load. Sources: Kirchhoff's laws; common practice, no source.
    """

    kind: ClassVar[str] = "voltage divider"
    gain_key: ClassVar[str | None] = "resistor"

    resistor: Value = parameter("ohm", positive=True, grades="tolerance", doc="fixed resistor of the divider")
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
    position: str = option(POSITIONS[0], choices=POSITIONS, doc="where the sensor sits")
    buffered: bool = option(False, kind=bool, doc="a follower stands between divider and converter")

    @property
    def _to_reference(self) -> bool:
        return self.position == POSITIONS[0]

    def _resistance(self, setting: Setting) -> Value:
        return parts.at_setting(
            self.resistor, self.resistor_tempco, self.resistor_ageing, setting, self.resistor_drift
        )

    def port(self, setting: Setting) -> Port:
        """The sensor sees the reference behind both resistances."""
        r, ib = self._resistance(setting), self.input_current(setting)
        loop = self.source_resistance + r
        push = ib * r if self._to_reference else -ib * loop
        return Port(self.reference_voltage(setting) + push, 1.0 + loop * self.leakage, loop)

    def static_voltage(self, output: Value, setting: Setting) -> Value:
        """Output voltage, V, at rest and without noise."""
        node = self.sensor_voltage(output, setting)
        if self._to_reference:
            current = node * self.loaded(output) - self.input_current(setting)
            node = self._resistance(setting) * current
        return (node + self.offset_voltage(setting)) / (1.0 + reciprocal(self.open_loop_gain))

    def output_from(self, voltage: Value, setting: Setting) -> Value:
        """Conductance, S, held off the voltage of an infinite one; V here without the offset.

        to reference   i / (Vr - V - Ro i) - Gl with the sensor's current i = V / R + Ib
        to ground      ((Vr - V) / (Ro + R) - Ib) / V - Gl
        """
        vr, r, ib = self.reference_voltage(setting), self._resistance(setting), self.input_current(setting)
        node = voltage - self.offset_voltage(setting)
        if self._to_reference:
            current = node / r + ib
            across = self.behind_source(vr - node, current, setting)
        else:
            current = (vr - node) / (r + self.source_resistance) - ib
            across = np.maximum(node, parts.NEAREST * vr)
        return self.without_leakage(current / across)

    def node_resistance(self, output: Value, setting: Setting) -> Value:
        """Resistance of the middle node to the fixed voltages, ohm."""
        r, g = self._resistance(setting), self.loaded(output)
        if self._to_reference:
            return 1.0 / (g / (1.0 + self.source_resistance * g) + 1.0 / r)
        return 1.0 / (g + 1.0 / (r + self.source_resistance))

    def noise_gain(self, output: Value, setting: Setting) -> Value:
        """1: the follower."""
        return 1.0

    def time_constant(self, output: Value, setting: Setting) -> Value:
        """s: capacitor times the resistance of the middle node."""
        return self.capacitor * self.node_resistance(output, setting)

    def noise_density(self, output: Value, setting: Setting) -> Value:
        """Squared density, V2/Hz: en^2 + (in Rp)^2 + 4 k T Rp with Rp the resistance of the middle node."""
        node = self.node_resistance(output, setting)
        amplifier = self.voltage_noise**2 + (self.current_noise * node) ** 2
        return amplifier + parts.johnson_density(node, setting.temperature)

    def output_current(self, output: Value, setting: Setting) -> Value:
        """A, into the load on the follower."""
        return self.into_load(self.static_voltage(output, setting))

    def output_resistance(self, output: Value, setting: Setting) -> Value:
        """ohm: that of the middle node, none behind a follower."""
        return 0.0 if self.buffered else self.node_resistance(output, setting)

    def output_capacitance(self) -> Value:
        """F: the filter capacitor, which a follower keeps from the converter."""
        return 0.0 if self.buffered else self.capacitor
