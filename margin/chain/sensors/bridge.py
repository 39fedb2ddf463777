"""Strain-gauge bridge: ratio of output to excitation, V/V."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from margin.chain.elements import Contact, OutputKind
from margin.chain.laws import absent, bow, loop_weight, unbow, under_load
from margin.chain.leads import CONNECTOR, LEAD_TEMPCO, both_leads
from margin.chain.parameter import Value, draw, option, parameter
from margin.chain.sensors.ageing import ACTIVATION, SUSTAINED, aged, decades_of_hours
from margin.chain.sensors.branch import force_on_branch
from margin.chain.sensors.creep import creep_factor
from margin.chain.sensors.zero_return import HISTORY, RESIDUE, residue
from margin.chain.setting import Setting


def quarter(x: Value, poisson: Value) -> Value:
    """One active arm: (x/4) / (1 + x/2) with x = gauge factor * strain (Wheatstone equation)."""
    return 0.25 * x / (1.0 + 0.5 * x)


def half_bending(x: Value, poisson: Value) -> Value:
    """Two adjacent arms with opposite strain: x/2, linear."""
    return 0.5 * x


def half_poisson(x: Value, poisson: Value) -> Value:
    """One arm along, its neighbour across the strain: ((1 + nu) x/4) / (1 + (1 - nu) x/2)."""
    return 0.25 * (1.0 + poisson) * x / (1.0 + 0.5 * (1.0 - poisson) * x)


def full_bending(x: Value, poisson: Value) -> Value:
    """Four arms, two with each sign of strain: x, linear."""
    return x


def full_poisson(x: Value, poisson: Value) -> Value:
    """Four arms on a column, two along and two across: ((1 + nu) x/2) / (1 + (1 - nu) x/2)."""
    return 0.5 * (1.0 + poisson) * x / (1.0 + 0.5 * (1.0 - poisson) * x)


def _from_quarter(ratio: Value, poisson: Value) -> Value:
    return 4.0 * ratio / (1.0 - 2.0 * ratio)


def _from_half_bending(ratio: Value, poisson: Value) -> Value:
    return 2.0 * ratio


def _from_half_poisson(ratio: Value, poisson: Value) -> Value:
    return ratio / (0.25 * (1.0 + poisson) - 0.5 * (1.0 - poisson) * ratio)


def _from_full_bending(ratio: Value, poisson: Value) -> Value:
    return ratio


def _from_full_poisson(ratio: Value, poisson: Value) -> Value:
    return ratio / (0.5 * (1.0 + poisson) - 0.5 * (1.0 - poisson) * ratio)


Equation = Callable[[Value, Value], Value]

EQUATIONS: dict[str, tuple[Equation, Equation]] = {
    "quarter": (quarter, _from_quarter),
    "half bending": (half_bending, _from_half_bending),
    "half Poisson": (half_poisson, _from_half_poisson),
    "full bending": (full_bending, _from_full_bending),
    "full Poisson": (full_poisson, _from_full_poisson),
}
"""Bridge ratio from x = gauge factor * strain, and its inverse, by the arrangement of the arms."""

ARMS = tuple(EQUATIONS)


@dataclass(frozen=True, kw_only=True)
class StrainGaugeBridge:
    """Bridge ratio, V/V.

    ratio = zero + z_T dT + z_a log10(1 + age / 1 h) + lead * m * bow(equation(GF * strain_per_newton * F))
            + s z * ratio at rated load + R |2w - 1| * ratio at the peak load (see `zero_return`)
    m     = (1 + s_T dT) (1 + c log10(t / t0)) (1 + h 4u(1 - u) descending) (1 - d log10(1 + age / 1 h)) (1 + r y)
            (1 - e log10(1 + N)) (1 - q (1 - exp(-N / N0))) (1 + p log10(1 + tl / 1 h)), with N load cycles in service,
            tl hours of it under load, and an age as at the reference temperature (`Setting.aged_hours`)
    lead  = 1 / (1 + (2 RL (1 + a dT) + Rc) / R): desensitisation by the resistance RL of each supply lead, which
            changes with temperature, and by that of the connector, Rc

    Either `rated_output` at `rated_load` (a finished, linear load cell), or `strain_per_newton` with the
    equation of the arms. `curvature` bends the line by that share of rated output at half load. z and y are
    independent normal draws for each placement of the load; without a load there is no s z. dT is that of the
    surroundings: the power in the bridge warms it further, its gauges unequally (`heated`).
    """

    kind: ClassVar[str] = "strain-gauge bridge"
    output_kind: ClassVar[OutputKind] = "ratio"
    remembers: ClassVar[bool] = True

    rated_load: Value = parameter(
        "N", positive=True, figure="rated load", doc="load to which rated output and curvature refer"
    )
    rated_output: Value = parameter("", 0.0, minimum=0.0, doc="ratio at rated load; 0: from strain and arms")
    strain_per_newton: Value = parameter("1/N", 0.0, minimum=0.0, doc="strain of the gauges per newton")
    gauge_factor: Value = parameter("", 2.0, positive=True, doc="relative resistance change per strain")
    poisson: Value = parameter("", 0.3, minimum=0.0, maximum=0.5, doc="Poisson's ratio of the spring")
    arms: str = option("full bending", choices=ARMS, doc="which arms of the bridge are active")
    curvature: Value = parameter(
        "", 0.0, minimum=-0.2, maximum=0.2, figure="nonlinearity", doc="departure from the line at half load"
    )
    zero: Value = parameter("", 0.0, doc="ratio without load")
    zero_temperature_coefficient: Value = parameter(
        "1/K", 0.0, cause="temperature", doc="change of zero with temperature"
    )
    span_temperature_coefficient: Value = parameter(
        "1/K", 0.0, cause="temperature", doc="relative change of span with temperature"
    )
    thermal_resistance: Value = parameter(
        "K/W",
        0.0,
        minimum=0.0,
        cause="temperature",
        doc="temperature rise of the gauges per watt in the bridge",
    )
    gradient_resistance: Value = parameter(
        "K/W",
        0.0,
        cause="temperature",
        doc="temperature difference of the gauges per watt in the bridge, T1 - T2 + T3 - T4 around it",
    )
    gauge_tempco: Value = parameter(
        "1/K",
        0.0,
        cause="temperature",
        doc="relative change of the resistance of a bonded gauge with its temperature",
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
        "s",
        1.0,
        positive=True,
        figure="reference time",
        cause="creep",
        doc="time under load at which the rated output is stated",
    )
    reload_scatter: Value = parameter(
        "", 0.0, minimum=0.0, cause="reloading", doc="scatter from placement to placement, of rated output"
    )
    reload_span_scatter: Value = parameter(
        "",
        0.0,
        minimum=0.0,
        cause="reloading",
        doc="relative scatter of the span from placement to placement",
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
    zero_ageing: Value = parameter("", 0.0, cause="ageing", doc="change of zero per decade of hours")
    sustained_creep: Value = parameter("", 0.0, cause="ageing", doc=SUSTAINED)
    lead_resistance: Value = parameter("ohm", 0.0, minimum=0.0, doc="of each supply lead; 0 with sense leads")
    lead_tempco: Value = parameter("1/K", 0.0, cause="temperature", doc=LEAD_TEMPCO)
    connector_resistance: Value = parameter(
        "ohm", 0.0, minimum=0.0, level="mounting", cause="mechanics", doc=CONNECTOR
    )
    bridge_resistance: Value = parameter(
        "ohm", 350.0, positive=True, doc="between the supply corners, which the circuit feeds"
    )
    current_limit: Value = parameter("A", 0.0, minimum=0.0, doc="largest bridge current; 0: none stated")
    voltage_limit: Value = parameter("V", 0.0, minimum=0.0, doc="largest excitation; 0: none stated")
    reload_draw: Value = draw("normal", level="loading", scales="reload_scatter", doc="placement of the load")
    reload_span_draw: Value = draw(
        "normal", level="loading", scales="reload_span_scatter", doc="span under this placement of the load"
    )
    history_draw: Value = draw("uniform", level="loading", scales="zero_return", doc=HISTORY)

    def __post_init__(self) -> None:
        if absent(self.rated_output) and absent(self.strain_per_newton):
            raise ValueError(
                "a strain-gauge bridge needs its sensitivity: state rated_output (V/V at rated_load), or "
                "strain_per_newton with gauge_factor and arms (got neither)"
            )

    @property
    def voltage_coefficient(self) -> Value:
        """1/V: the ratio does not depend on the excitation."""
        return 0.0

    @property
    def voltage_reference(self) -> Value:
        """V."""
        return 1.0

    def output(self, contact: Contact, setting: Setting) -> Value:
        """Ratio, V/V."""
        ratio = self._full_scale * bow(self._share(contact.force), self.curvature) * self._factor(setting)
        if not absent(self.hysteresis) and not absent(setting.descending):
            ratio = ratio * (
                1.0 + self.hysteresis * setting.descending * loop_weight(contact.force, setting.peak)
            )
        if setting.memory is not None:
            ratio = setting.memory.remembered(
                ratio, hysteresis=self.hysteresis, creep=self.creep, reference_time=self.creep_reference_time,
                zero_return=self.zero_return,
            )  # fmt: skip
        return ratio + self._zero(setting) + self._placed(contact.force)

    def force_from(self, output: Value, setting: Setting) -> Value:
        """Force, N, on the branch of the setting."""
        ratio = (output - self._zero(setting) - self._scatter) / (self._factor(setting) * self._full_scale)
        return force_on_branch(self._ascending, self._lever, ratio, self.hysteresis, setting)

    @property
    def heats_itself(self) -> bool:
        """Whether a thermal resistance is stated, or one between the gauges."""
        return not absent(self.thermal_resistance) or not absent(self.gradient_resistance)

    def power(self, voltage: Value, output: Value, setting: Setting) -> Value:
        """Power in the gauges, W: current through bridge and leads squared times the bridge resistance."""
        leads = both_leads(self.lead_resistance, self.lead_tempco, self.connector_resistance, setting)
        current = voltage / (self.bridge_resistance + leads)
        return current * current * self.bridge_resistance

    def heated(self, output: Value, power: Value, setting: Setting) -> Value:
        """Ratio, V/V, of a bridge that so many watts have warmed, its gauges unequally."""
        zero = self._zero(setting)
        return (output - zero) * self._warmer(power, setting) + self._warmer_zero(power) + zero

    def cooled(self, output: Value, power: Value, setting: Setting) -> Value:
        """Ratio, V/V, of the bridge without power: inverse of `heated`."""
        zero = self._zero(setting)
        return (output - zero - self._warmer_zero(power)) / self._warmer(power, setting) + zero

    def _warmer(self, power: Value, setting: Setting) -> Value:
        """What the warming by a power multiplies the span by."""
        at_rest = 1.0 + self.span_temperature_coefficient * setting.warming
        return 1.0 + self.span_temperature_coefficient * self.thermal_resistance * power / at_rest

    def _warmer_zero(self, power: Value) -> Value:
        """Ratio that a power adds: drift of the zero, and (a/4)(T1 - T2 + T3 - T4) of gauges that differ."""
        drift = self.zero_temperature_coefficient * self.thermal_resistance * power
        return drift + 0.25 * self.gauge_tempco * self.gradient_resistance * power

    def _lever(self, force: Value) -> Value:
        """dF / d ln(ratio), N, on the ascending branch; the equation of the arms is taken as straight."""
        if absent(self.curvature):
            return force
        share, bend = self._share(force), 4.0 * self.curvature
        return force * (1.0 + bend * (1.0 - share)) / np.maximum(1.0 + bend * (1.0 - 2.0 * share), 1e-3)

    def _ascending(self, ratio: Value) -> Value:
        """Force, N, on the ascending branch, from the ratio relative to that at rated load."""
        share = unbow(ratio, self.curvature)
        if not absent(self.rated_output):
            return share * self.rated_load
        _, inverse = EQUATIONS[self.arms]
        return inverse(share * self._full_scale, self.poisson) / (self.gauge_factor * self.strain_per_newton)

    @property
    def _full_scale(self) -> Value:
        """Ratio at rated load without curvature."""
        if not absent(self.rated_output):
            return self.rated_output
        equation, _ = EQUATIONS[self.arms]
        return equation(self.gauge_factor * self.strain_per_newton * self.rated_load, self.poisson)

    def _share(self, force: Value) -> Value:
        """Ratio at `force` relative to that at rated load."""
        if not absent(self.rated_output):
            return force / self.rated_load
        equation, _ = EQUATIONS[self.arms]
        ratio = equation(self.gauge_factor * self.strain_per_newton * force, self.poisson)
        return ratio / self._full_scale

    def _zero(self, setting: Setting) -> Value:
        """Ratio that does not depend on the load: zero, its drift, and what the loads before have left."""
        zero = self.zero
        if not absent(self.zero_temperature_coefficient):
            zero = zero + self.zero_temperature_coefficient * setting.warming
        if not absent(self.zero_ageing):
            zero = zero + self.zero_ageing * decades_of_hours(self.ageing_activation, setting)
        if not absent(self.zero_return) and setting.memory is None:
            at_peak = self._full_scale * self._share(setting.peak)
            zero = zero + residue(self.zero_return, self.history_draw, at_peak)
        return zero

    def _placed(self, force: Value) -> Value:
        """Ratio that the placement of a load adds: none without a load, so that a new zero cannot remove it."""
        return 0.0 if absent(self.reload_scatter) else under_load(force, self._scatter)

    @property
    def _scatter(self) -> Value:
        """Ratio by which this placement of a load differs."""
        return self.reload_scatter * self.reload_draw * self._full_scale

    def _factor(self, setting: Setting) -> Value:
        factor: Value = 1.0
        if setting.memory is None:
            factor = creep_factor(self.creep, setting.dwell, self.creep_reference_time)
        if not absent(self.span_temperature_coefficient):
            factor = factor * (1.0 + self.span_temperature_coefficient * setting.warming)
        factor = aged(factor, self, setting)
        leads = both_leads(self.lead_resistance, self.lead_tempco, self.connector_resistance, setting)
        if not absent(leads):
            factor = factor / (1.0 + leads / self.bridge_resistance)
        if not absent(self.reload_span_scatter):
            factor = factor * (1.0 + self.reload_span_scatter * self.reload_span_draw)
        return factor
