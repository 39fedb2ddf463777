"""Thin-film piezoresistive sensor: conductance that grows with the load."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from margin.chain.elements import Contact, OutputKind
from margin.chain.laws import absent, loop_weight
from margin.chain.leads import CONNECTOR, LEAD_TEMPCO, both_leads
from margin.chain.parameter import Value, draw, option, parameter
from margin.chain.sensors.ageing import ACTIVATION, SUSTAINED, aged, decades_of_hours
from margin.chain.sensors.array_lines import ArrayLines, Seen
from margin.chain.sensors.branch import STEPS, force_on_branch
from margin.chain.sensors.creep import creep_factor, exponential_creep
from margin.chain.sensors.hysteresis import remembered_load
from margin.chain.sensors.zero_return import HISTORY, RESIDUE, residue
from margin.chain.setting import Setting

LEAST_SHARE = 0.01
"""Share of the reference load below which the reload scatter no longer changes: a power has no bound at no load."""

MOST_LINES = 10_000
"""Row or column lines of an array: far more than one readout reads."""


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

    G     = Gp / (1 + (Rs + 2 RL (1 + a dT) + Rc) Gp), with leads RL and connector Rc where they are stated
    Gp    = g0 + gz dT + ga log10(1 + age / 1 h) + r |2w - 1| Gp(peak)
            + k ((F - F0)+ / Fr)^n * A^(1 - n) * (1 - n (1 - n) v / 2) * m
    m     = (1 + h 4u(1 - u) descending) (1 + c log10(t / t0)) (1 + a dT + b dT^2) (1 + w dRH)
            (1 + s (F/Fr)^p z) (1 - d log10(1 + age / 1 h)) (1 - e log10(1 + N)) (1 - q (1 - exp(-N / N0)))
            (1 + y log10(1 + tl / 1 h))

    age   hours of storage and service, as at the reference temperature (`Setting.aged_hours`); tl those under load
    N     load cycles in service: loss e per decade of them, and conditioning q by the first N0
    A, v  loaded area relative to design and unevenness of its pressure: a pad with n < 1 answers to pressure,
          not to force alone. u = F / peak. z is one normal draw for each placement of the load; its scale s (F/Fr)^p
          holds its value at Fr / 100 below that load. r is the zero return that the loads before have left, w a
          uniform draw for each placement (see `zero_return`).
    An element of an array is seen through its lines and beside its neighbours (`ArrayLines`).
    dT is that of the surroundings; the power in the film adds `thermal_resistance` times it (`heated`).
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
    lead_resistance: Value = parameter("ohm", 0.0, minimum=0.0, doc="of each of the two leads")
    lead_tempco: Value = parameter("1/K", 0.0, cause="temperature", doc=LEAD_TEMPCO)
    connector_resistance: Value = parameter(
        "ohm", 0.0, minimum=0.0, level="mounting", cause="mechanics", doc=CONNECTOR
    )
    rows: int = option(1, kind=int, doc="row lines of an array that the film is an element of; 1: on its own")
    columns: int = option(1, kind=int, doc="column lines of the array, each read into a virtual ground")
    row_resistance: Value = parameter(
        "ohm", 0.0, minimum=0.0, doc="of a row line, and of its closed switch unless that is stated"
    )
    column_resistance: Value = parameter(
        "ohm", 0.0, minimum=0.0, doc="of a column line, and of its closed switch unless that is stated"
    )
    line_tempco: Value = parameter(
        "1/K", 0.0, cause="temperature", doc="relative change of both line resistances with temperature"
    )
    switch_resistance: Value = parameter(
        "ohm", 0.0, minimum=0.0, cause="circuit tolerances", doc="of the closed switch of each line"
    )
    switch_tempco: Value = parameter(
        "1/K", 0.0, cause="temperature", doc="relative change of the switch resistance with temperature"
    )
    switch_leakage: Value = parameter(
        "A",
        0.0,
        cause="circuit tolerances",
        doc="of each open column switch, out of the amplifier's input, as its bias current",
    )
    switch_leakage_doubling: Value = parameter(
        "K", 10.0, positive=True, cause="temperature", doc="warming that doubles the leakage of open switches"
    )
    neighbour_conductance: Value = parameter(
        "S",
        0.0,
        minimum=0.0,
        level="loading",
        cause="use",
        doc="of each other element of the array, as it is loaded",
    )
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
    thermal_resistance: Value = parameter(
        "K/W", 0.0, minimum=0.0, cause="temperature", doc="temperature rise of the film per watt in it"
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
    zero_ageing: Value = parameter("S", 0.0, cause="ageing", doc="change of the offset per decade of hours")
    sustained_creep: Value = parameter("", 0.0, cause="ageing", doc=SUSTAINED)
    current_limit: Value = parameter("A", 0.0, minimum=0.0, doc="largest sensor current; 0: none stated")
    voltage_limit: Value = parameter("V", 0.0, minimum=0.0, doc="largest sensor voltage; 0: none stated")
    reload_draw: Value = draw("normal", level="loading", scales="reload_scatter", doc="placement of the load")
    history_draw: Value = draw("uniform", level="loading", scales="zero_return", doc=HISTORY)

    def __post_init__(self) -> None:
        for name, lines in (("rows", self.rows), ("columns", self.columns)):
            if not 1 <= lines <= MOST_LINES:
                raise ValueError(f"sensor.{name} must be from 1 to {MOST_LINES} lines (got {lines})")
        if not self.in_array and not absent(self.neighbour_conductance):
            raise ValueError(
                "sensor.neighbour_conductance needs neighbours: state rows or columns above 1, or leave it out"
            )

    @property
    def in_array(self) -> bool:
        """Whether the film shares its lines with others."""
        return self.rows > 1 or self.columns > 1

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
        return self._outside(np.maximum(pad + self._offset(setting), 0.0), setting)

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
        pad = self._inside(output, setting) - self._offset(setting)
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

    @property
    def heats_itself(self) -> bool:
        """Whether a thermal resistance is stated."""
        return not absent(self.thermal_resistance)

    def power(self, voltage: Value, output: Value, setting: Setting) -> Value:
        """Power in the film, W: u^2 G less the share of what is in series with it."""
        seen = self._seen(setting)
        if seen is not None:
            output = seen.element(output)
            voltage = voltage * seen.across(output)
        lost = 1.0 - self._series(setting) * output
        return voltage * voltage * output * lost

    def heated(self, output: Value, power: Value, setting: Setting) -> Value:
        """Conductance, S, of the film that so many watts have warmed."""
        pad = self._inside(output, setting) - self._offset(setting)
        warm = pad * self._warmer(power, setting) + self._warmer_offset(power)
        return self._outside(np.maximum(warm + self._offset(setting), 0.0), setting)

    def cooled(self, output: Value, power: Value, setting: Setting) -> Value:
        """Conductance, S, of the film without power: inverse of `heated`."""
        pad = self._inside(output, setting) - self._offset(setting)
        cold = (pad - self._warmer_offset(power)) / self._warmer(power, setting)
        return self._outside(np.maximum(cold + self._offset(setting), 0.0), setting)

    def _warmer(self, power: Value, setting: Setting) -> Value:
        """What the warming by a power multiplies the power law by."""
        warm = setting.warming + self.thermal_resistance * power
        result: Value = np.maximum(self._by_temperature(warm), LEAST_SHARE)
        return result / self._by_temperature(setting.warming)

    def _warmer_offset(self, power: Value) -> Value:
        return self.offset_temperature_coefficient * self.thermal_resistance * power

    def _by_temperature(self, warming: Value) -> Value:
        slope = self.temperature_coefficient + self.temperature_curvature * warming
        return 1.0 + slope * warming

    def _outside(self, pad: Value, setting: Setting) -> Value:
        """Conductance, S, that the circuit sees of a film: behind what is in series, among its neighbours."""
        conductance, seen = in_series(pad, self._series(setting)), self._seen(setting)
        return conductance if seen is None else seen.of(conductance)

    def _inside(self, output: Value, setting: Setting) -> Value:
        """Conductance, S, of the film alone: inverse of `_outside`."""
        seen = self._seen(setting)
        return without_series(output if seen is None else seen.element(output), self._series(setting))

    def _seen(self, setting: Setting) -> Seen | None:
        """What lines and neighbours make of an element of an array; None without resistance in the lines."""
        row, column, switch = self.row_resistance, self.column_resistance, self.switch_resistance
        if absent(row) and absent(column) and absent(switch):
            return None
        if not absent(self.line_tempco):
            change = 1.0 + self.line_tempco * setting.warming
            row, column = row * change, column * change
        if not absent(switch):
            if not absent(self.switch_tempco):
                switch = switch * (1.0 + self.switch_tempco * setting.warming)
            row, column = row + switch, column + switch
        return ArrayLines(self.rows, self.columns, row, column, self.neighbour_conductance).seen()

    def _series(self, setting: Setting) -> Value:
        """Resistance between the film and the circuit, ohm."""
        leads = both_leads(self.lead_resistance, self.lead_tempco, self.connector_resistance, setting)
        return self.series_resistance if absent(leads) else self.series_resistance + leads

    def _offset(self, setting: Setting) -> Value:
        offset = self.offset_conductance
        if not absent(self.offset_temperature_coefficient):
            offset = offset + self.offset_temperature_coefficient * setting.warming
        if not absent(self.zero_ageing):
            offset = offset + self.zero_ageing * decades_of_hours(self.ageing_activation, setting)
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
            factor = factor * self._by_temperature(setting.warming)
        if not absent(self.humidity_coefficient):
            factor = factor * (1.0 + self.humidity_coefficient * setting.moistening)
        factor = aged(factor, self, setting)
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
