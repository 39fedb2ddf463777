"""Thin-film piezoresistive sensor: conductance that grows with the load."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from margin.chain.elements import Contact, OutputKind
from margin.chain.laws import absent, conditioned, loop_weight, per_decade
from margin.chain.parameter import Value, draw, parameter
from margin.chain.sensors.branch import STEPS, force_on_branch
from margin.chain.sensors.creep import creep_factor, exponential_creep
from margin.chain.sensors.hysteresis import remembered_load
from margin.chain.sensors.zero_return import HISTORY, RESIDUE, residue
from margin.chain.setting import Setting

LEAST_SHARE = 0.01
"""Share of the reference load below which the reload scatter no longer changes: a power has no bound at no load."""


def power_law(
    force: Value, sensitivity: Value, exponent: Value, reference_load: Value, turn_on: Value
) -> Value:
    """k ((F - F0)+ / Fr)^n, S: conductance of the pad above its turn-on load (common practice, no source).

    Anchored at a reference load Fr in mid-range, where k is read: k and n are then hardly correlated.
    """
    above = force if absent(turn_on) else force - turn_on
    result: Value = sensitivity * (np.maximum(above, 0.0) / reference_load) ** exponent
    return result


def in_series(conductance: Value, resistance: Value) -> Value:
    """Conductance (S) of a conductance and a resistance (ohm) in series."""
    return conductance if absent(resistance) else conductance / (1.0 + resistance * conductance)


def without_series(conductance: Value, resistance: Value) -> Value:
    """Inverse of `in_series`; at or beyond 1 / resistance, where there is none, a large value."""
    if absent(resistance):
        return conductance
    result: Value = conductance / np.maximum(1.0 - resistance * conductance, 1e-9)
    return result


@dataclass(frozen=True, kw_only=True)
class ThinFilm:
    """Conductance G of a thin-film pad, S.

    G     = Gp / (1 + Rs Gp)
    Gp    = g0 + gz dT + ga log10(1 + age / 1 h) + r |2w - 1| Gp(peak)
            + k ((F - F0)+ / Fr)^n * A^(1 - n) * (1 - n (1 - n) v / 2) * m
    m     = (1 + h 4u(1 - u) descending) (1 + c log10(t / t0)) (1 + a dT + b dT^2) (1 + w dRH)
            (1 + s (F/Fr)^p z) (1 - d log10(1 + age / 1 h)) (1 - e log10(1 + N)) (1 - q (1 - exp(-N / N0)))

    N     load cycles in service: loss e per decade of them, and conditioning q by the first N0
    A, v  loaded area relative to design and unevenness of its pressure: a pad with n < 1 answers to pressure,
          not to force alone. u = F / peak. z is one normal draw for each placement of the load; its scale s (F/Fr)^p
          holds its value at Fr / 100 below that load. r is the zero return that the loads before have left, w a
          uniform draw for each placement (see `zero_return`).
    The conductance is stated at `voltage_reference`; `voltage_coefficient` is applied by the circuit.
    """

    kind: ClassVar[str] = "thin film"
    output_kind: ClassVar[OutputKind] = "conductance"
    remembers: ClassVar[bool] = True

    sensitivity: Value = parameter("S", positive=True, doc="conductance at the reference load")
    exponent: Value = parameter("", 1.0, positive=True, maximum=2.0, doc="exponent n of the power law")
    reference_load: Value = parameter(
        "N", positive=True, doc="load at which the sensitivity is stated, mid-range"
    )
    offset_conductance: Value = parameter("S", 0.0, minimum=0.0, doc="conductance without load")
    turn_on: Value = parameter("N", 0.0, minimum=0.0, doc="load below which the pad does not respond")
    series_resistance: Value = parameter("ohm", 0.0, minimum=0.0, doc="traces, connector, contact saturation")
    voltage_coefficient: Value = parameter("1/V", 0.0, doc="relative change of conductance per volt of drive")
    voltage_reference: Value = parameter("V", 1.0, doc="sensor voltage at which the sensitivity is stated")
    hysteresis: Value = parameter(
        "",
        0.0,
        figure="hysteresis",
        cause="load history",
        doc="relative excess of the descending branch in the middle of the load cycle",
    )
    creep: Value = parameter(
        "", 0.0, figure="creep", cause="creep", doc="relative change per decade of time under load"
    )
    creep_reference_time: Value = parameter(
        "s",
        1.0,
        positive=True,
        figure="reference time",
        cause="creep",
        doc="time under load at which the sensitivity is stated",
    )
    temperature_coefficient: Value = parameter(
        "1/K", 0.0, cause="temperature", doc="relative change of conductance with temperature"
    )
    temperature_curvature: Value = parameter(
        "1/K**2", 0.0, cause="temperature", doc="relative change with temperature squared"
    )
    offset_temperature_coefficient: Value = parameter(
        "S/K", 0.0, cause="temperature", doc="change of the offset with temperature"
    )
    humidity_coefficient: Value = parameter(
        "1/percent_RH", 0.0, cause="humidity", doc="relative change of conductance with humidity"
    )
    reload_scatter: Value = parameter(
        "",
        0.0,
        minimum=0.0,
        cause="reloading",
        doc="relative scatter from placement to placement, at the reference load",
    )
    reload_scatter_exponent: Value = parameter(
        "",
        0.0,
        minimum=-2.0,
        maximum=2.0,
        cause="reloading",
        doc="exponent p by which the reload scatter grows (above 0) or falls with the load; 0: the same at all loads",
    )
    zero_return: Value = parameter("", 0.0, minimum=0.0, cause="load history", doc=RESIDUE)
    ageing: Value = parameter("", 0.0, cause="ageing", doc="relative loss of sensitivity per decade of hours")
    cycle_loss: Value = parameter(
        "", 0.0, cause="ageing", doc="relative loss of sensitivity per decade of load cycles"
    )
    conditioning: Value = parameter(
        "", 0.0, cause="ageing", doc="relative loss of sensitivity that the first load cycles bring"
    )
    conditioning_cycles: Value = parameter(
        "", 1000.0, positive=True, doc="load cycles that bring 63 % of the conditioning"
    )
    zero_ageing: Value = parameter("S", 0.0, cause="ageing", doc="change of the offset per decade of hours")
    current_limit: Value = parameter("A", 0.0, minimum=0.0, doc="largest sensor current; 0: none stated")
    voltage_limit: Value = parameter("V", 0.0, minimum=0.0, doc="largest sensor voltage; 0: none stated")
    reload_draw: Value = draw("normal", level="loading", scales="reload_scatter", doc="placement of the load")
    history_draw: Value = draw("uniform", level="loading", scales="zero_return", doc=HISTORY)

    def output(self, contact: Contact, setting: Setting) -> Value:
        """Conductance, S, at `voltage_reference`."""
        pad = power_law(contact.force, self.sensitivity, self.exponent, self.reference_load, self.turn_on)
        pad = pad * self._spread_of_pressure(contact) * self._factor(setting)
        if self._scatter_by_load:
            pad = pad * self._reload_factor(contact.force)
        if not absent(self.hysteresis) and not absent(setting.descending):
            pad = pad * (
                1.0 + self.hysteresis * setting.descending * loop_weight(contact.force, setting.peak)
            )
        if setting.memory is not None:
            pad = setting.memory.remembered(
                pad, hysteresis=self.hysteresis, creep=self.creep, reference_time=self.creep_reference_time,
                zero_return=self.zero_return,
            )  # fmt: skip
        result: Value = in_series(np.maximum(pad + self._offset(setting), 0.0), self.series_resistance)
        return result

    def respond_sequence(
        self,
        force: NDArray[np.float64],
        setting: Setting,
        *,
        thresholds: NDArray[np.float64],
        weights: NDArray[np.float64],
        interval: Value,
        amplitudes: NDArray[np.float64],
        times: NDArray[np.float64],
    ) -> Value:
        """Conductance, S, along a load history; memory stands for branch and dwell of the setting.

        force: (..., step), N, held for `interval` (s) each; quantities of the pad broadcast against it. The
        conductance curve is applied to the force as play operators (thresholds, weights: (operator,)) and
        delayed parts (amplitudes, times: (term,)) remember it: a Hammerstein model, whose loop is not
        symmetric although that of the operators is.
        """
        remembered = exponential_creep(
            remembered_load(force, thresholds, weights), interval, amplitudes, times
        )
        still = dataclasses.replace(setting, descending=0.0, dwell=self.creep_reference_time)
        return self.output(Contact(remembered), still)

    def force_from(self, output: Value, setting: Setting) -> Value:
        """Force, N, on the branch of the setting under a uniform, as-designed contact; 0 below turn-on."""
        pad = without_series(output, self.series_resistance) - self._offset(setting)
        full = self.sensitivity * self._factor(setting)

        def ascending(net: Value) -> Value:
            share = np.maximum(net, 0.0) / full
            return self.reference_load * share ** (1.0 / self.exponent) + self.turn_on

        def lever(force: Value) -> Value:
            return (force - self.turn_on) / self.exponent

        force = force_on_branch(ascending, lever, pad, self.hysteresis, setting)
        if self._scatter_by_load and not absent(self.reload_draw):
            for _ in range(STEPS):
                factor = np.maximum(self._reload_factor(force), 1e-3)
                found = force_on_branch(ascending, lever, pad / factor, self.hysteresis, setting)
                slope = self.reload_scatter_exponent * (1.0 - 1.0 / factor) / self.exponent
                force = force - (force - found) / np.maximum(1.0 + slope, 0.05)
        result: Value = np.where(pad > 0.0, force, 0.0)
        return result

    def _offset(self, setting: Setting) -> Value:
        offset = self.offset_conductance
        if not absent(self.offset_temperature_coefficient):
            offset = offset + self.offset_temperature_coefficient * setting.warming
        if not absent(self.zero_ageing):
            offset = offset + self.zero_ageing * per_decade(setting.age, 1.0)
        if not absent(self.zero_return) and setting.memory is None:
            at_peak = power_law(
                setting.peak, self.sensitivity, self.exponent, self.reference_load, self.turn_on
            )
            offset = offset + residue(self.zero_return, self.history_draw, at_peak)
        return offset

    def _factor(self, setting: Setting) -> Value:
        """What multiplies the power law at this setting, apart from contact and branch."""
        factor: Value = 1.0
        if setting.memory is None:
            factor = creep_factor(self.creep, setting.dwell, self.creep_reference_time)
        if not absent(self.temperature_coefficient) or not absent(self.temperature_curvature):
            warming = setting.warming
            slope = self.temperature_coefficient + self.temperature_curvature * warming
            factor = factor * (1.0 + slope * warming)
        if not absent(self.humidity_coefficient):
            factor = factor * (1.0 + self.humidity_coefficient * setting.moistening)
        if not absent(self.ageing):
            factor = factor * (1.0 - self.ageing * per_decade(setting.age, 1.0))
        if not absent(self.cycle_loss) and not absent(setting.cycles):
            factor = factor * (1.0 - self.cycle_loss * per_decade(setting.cycles, 1.0))
        if not absent(self.conditioning) and not absent(setting.cycles):
            factor = factor * (
                1.0 - self.conditioning * conditioned(setting.cycles, self.conditioning_cycles)
            )
        if not absent(self.reload_scatter) and not self._scatter_by_load:
            factor = factor * (1.0 + self.reload_scatter * self.reload_draw)
        return factor

    @property
    def _scatter_by_load(self) -> bool:
        """Whether the reload scatter depends on the load."""
        return not absent(self.reload_scatter) and not absent(self.reload_scatter_exponent)

    def _reload_factor(self, force: Value) -> Value:
        """1 + s (F/Fr)^p z: what a placement makes of the power law where its scatter depends on the load."""
        share = np.maximum(force / self.reference_load, LEAST_SHARE)
        result: Value = 1.0 + self.reload_scatter * share**self.reload_scatter_exponent * self.reload_draw
        return result

    def _spread_of_pressure(self, contact: Contact) -> Value:
        """Effect of area and unevenness at a given force: the pad integrates (pressure)^n over the area."""
        n = self.exponent
        effect: Value = 1.0
        if not (isinstance(contact.area, float) and contact.area == 1.0):
            effect = effect * contact.area ** (1.0 - n)
        if not absent(contact.unevenness):
            effect = effect * (1.0 - 0.5 * n * (1.0 - n) * contact.unevenness)
        return effect
