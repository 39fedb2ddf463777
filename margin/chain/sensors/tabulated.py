"""A sensor known by a measured curve."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from margin.chain.elements import Contact, OutputKind
from margin.chain.laws import absent, bow, loop_weight, unbow, under_load
from margin.chain.parameter import Value, draw, option, parameter
from margin.chain.sensors.ageing import ACTIVATION, SUSTAINED, aged, decades_of_hours
from margin.chain.sensors.branch import force_on_branch
from margin.chain.sensors.creep import creep_factor
from margin.chain.sensors.curve import Curve, curve_through
from margin.chain.sensors.zero_return import HISTORY, RESIDUE, residue
from margin.chain.setting import Setting


@dataclass(frozen=True, kw_only=True)
class TabulatedCurve:
    """Output (S or V/V) read off a measured curve y(F), with what differs from unit to unit.

    output = Y [zero + zT dT + za log10(1 + age / 1 h) + r z]
             + R |2w - 1| (y(peak) - first output) + m * (y(F) + Y * curvature * 4v (1 - v))
    m      = gain * (1 + sT dT) (1 + c log10(t / t0)) (1 + h 4u (1 - u) descending) (1 + q x)
             times what service has left of it, see `aged`

    Y is the span of the outputs over the table (negative where they fall) and v = (y(F) - first output) / Y.
    z and x are independent normal draws for each placement, w a uniform one; without a load there is no r z. R is
    the zero return of the loads before, see `zero_return`.
    """

    kind: ClassVar[str] = "tabulated"
    remembers: ClassVar[bool] = True

    loads: tuple[float, ...] = option(kind=tuple, required=True, doc="N, ascending: loads of the curve")
    outputs: tuple[float, ...] = option(
        kind=tuple, required=True, doc="S or V/V at these loads, rising or falling"
    )
    output_kind: OutputKind = option(
        "conductance", choices=("conductance", "ratio"), doc="what the outputs are: S or V/V"
    )
    interpolation: str = option(
        "monotone cubic", choices=("monotone cubic", "straight"), doc="how the curve runs between the points"
    )
    gain: Value = parameter("", 1.0, positive=True, doc="output relative to the curve")
    zero: Value = parameter("", 0.0, doc="output without load, of the span of outputs")
    curvature: Value = parameter(
        "", 0.0, minimum=-0.2, maximum=0.2, figure="nonlinearity", doc="departure from the curve at half load"
    )
    temperature_coefficient: Value = parameter(
        "1/K", 0.0, cause="temperature", doc="relative change of output with temperature"
    )
    zero_temperature_coefficient: Value = parameter(
        "1/K", 0.0, cause="temperature", doc="change of zero, of the span of outputs"
    )
    hysteresis: Value = parameter(
        "",
        0.0,
        figure="hysteresis",
        cause="load history",
        doc="relative excess of the descending branch at half load",
    )
    creep: Value = parameter(
        "", 0.0, figure="creep", cause="creep", doc="relative change per decade of time under load"
    )
    creep_reference_time: Value = parameter(
        "s", 1.0, positive=True, figure="reference time", cause="creep", doc="time under load of the curve"
    )
    reload_scatter: Value = parameter(
        "",
        0.0,
        minimum=0.0,
        cause="reloading",
        doc="scatter from placement to placement, of the span of outputs",
    )
    reload_span_scatter: Value = parameter(
        "",
        0.0,
        minimum=0.0,
        cause="reloading",
        doc="relative scatter of the output from placement to placement",
    )
    zero_return: Value = parameter("", 0.0, minimum=0.0, cause="load history", doc=RESIDUE)
    ageing: Value = parameter("", 0.0, cause="ageing", doc="relative loss of sensitivity per decade of hours")
    ageing_activation: Value = parameter("eV", 0.0, minimum=0.0, maximum=3.0, cause="ageing", doc=ACTIVATION)
    cycle_loss: Value = parameter(
        "", 0.0, cause="ageing", doc="relative loss of sensitivity per decade of load cycles"
    )
    conditioning: Value = parameter(
        "", 0.0, cause="ageing", doc="relative loss of sensitivity that the first load cycles bring"
    )
    conditioning_cycles: Value = parameter(
        "", 1000.0, positive=True, doc="load cycles that bring 63 % of the conditioning"
    )
    zero_ageing: Value = parameter(
        "", 0.0, cause="ageing", doc="change of zero per decade of hours, of the span of outputs"
    )
    sustained_creep: Value = parameter("", 0.0, cause="ageing", doc=SUSTAINED)
    bridge_resistance: Value = parameter(
        "ohm", 350.0, positive=True, doc="of a bridge, between its supply corners"
    )
    current_limit: Value = parameter("A", 0.0, minimum=0.0, doc="largest sensor current; 0: none stated")
    voltage_limit: Value = parameter("V", 0.0, minimum=0.0, doc="largest sensor voltage; 0: none stated")
    reload_draw: Value = draw("normal", level="loading", scales="reload_scatter", doc="placement of the load")
    reload_span_draw: Value = draw(
        "normal", level="loading", scales="reload_span_scatter", doc="output under this placement of the load"
    )
    history_draw: Value = draw("uniform", level="loading", scales="zero_return", doc=HISTORY)

    @property
    def voltage_coefficient(self) -> Value:
        """1/V: a curve was measured at one voltage; its dependence on voltage is unknown."""
        return 0.0

    @property
    def voltage_reference(self) -> Value:
        """V."""
        return 1.0

    @property
    def _curve(self) -> Curve:
        return curve_through(tuple(self.loads), tuple(self.outputs), self.interpolation == "straight")

    def output(self, contact: Contact, setting: Setting) -> Value:
        """Output, S or V/V."""
        curve = self._curve.value(contact.force)
        if not absent(self.curvature):
            first = self.outputs[0]
            curve = first + self._span * bow((curve - first) / self._span, self.curvature)
        out: Value = curve * self._factor(setting)
        if not absent(self.hysteresis) and not absent(setting.descending):
            out = out * (
                1.0 + self.hysteresis * setting.descending * loop_weight(contact.force, setting.peak)
            )
        if setting.memory is not None:
            # what the table has without a load is there before the history
            resting = self.outputs[0] * self._factor(setting)
            out = resting + setting.memory.remembered(
                out - resting, hysteresis=self.hysteresis, creep=self.creep,
                reference_time=self.creep_reference_time, zero_return=self.zero_return,
            )  # fmt: skip
        return out + self._zero(setting) + self._placed(contact.force)

    def force_from(self, output: Value, setting: Setting) -> Value:
        """Force, N, on the branch of the setting; beyond the table by the slopes of its ends."""
        curve = (output - self._zero(setting) - self._scatter) / self._factor(setting)
        return force_on_branch(self._ascending, self._lever, curve, self.hysteresis, setting)

    def _lever(self, force: Value) -> Value:
        """dF / d ln(output), N, on the ascending branch."""
        first, curve = self.outputs[0], self._curve
        value, slope = curve.value(force), curve.slope(force)
        if not absent(self.curvature):
            share = (value - first) / self._span
            value = first + self._span * bow(share, self.curvature)
            slope = slope * (1.0 + 4.0 * self.curvature * (1.0 - 2.0 * share))
        mean = self._span / (self.loads[-1] - self.loads[0])
        # a flat end has no lever of its own
        return value / mean / np.maximum(slope / mean, 1e-3)

    def _ascending(self, curve: Value) -> Value:
        """Force, N, on the ascending branch, from the output that the table and its curvature give."""
        if not absent(self.curvature):
            first = self.outputs[0]
            curve = first + self._span * unbow((curve - first) / self._span, self.curvature)
        return self._curve.inverse(curve)

    def _zero(self, setting: Setting) -> Value:
        """Output that does not depend on the load: zero, its drift, and what the loads before have left."""
        zero = self.zero
        if not absent(self.zero_temperature_coefficient):
            zero = zero + self.zero_temperature_coefficient * setting.warming
        if not absent(self.zero_ageing):
            zero = zero + self.zero_ageing * decades_of_hours(self.ageing_activation, setting)
        out = 0.0 if absent(zero) else self._span * zero
        if not absent(self.zero_return) and setting.memory is None:
            at_peak = self._curve.value(setting.peak) - self.outputs[0]
            out = out + residue(self.zero_return, self.history_draw, at_peak)
        return out

    def _placed(self, force: Value) -> Value:
        """Output that the placement of a load adds: none without a load, so that a new zero cannot remove it."""
        return 0.0 if absent(self.reload_scatter) else under_load(force, self._scatter)

    @property
    def _scatter(self) -> Value:
        """Output by which this placement of a load differs."""
        return self._span * self.reload_scatter * self.reload_draw

    @property
    def _span(self) -> float:
        """Output at the last load less that at the first, S or V/V."""
        return self.outputs[-1] - self.outputs[0]

    def _factor(self, setting: Setting) -> Value:
        factor: Value = self.gain
        if setting.memory is None:
            factor = factor * creep_factor(self.creep, setting.dwell, self.creep_reference_time)
        if not absent(self.temperature_coefficient):
            factor = factor * (1.0 + self.temperature_coefficient * setting.warming)
        factor = aged(factor, self, setting)
        if not absent(self.reload_span_scatter):
            factor = factor * (1.0 + self.reload_span_scatter * self.reload_span_draw)
        return factor
