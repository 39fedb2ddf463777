"""From bench data to a fitted sensor: every property with its spread at each level that the data can tell."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from margin.bench.behaviour import WHO, creeps, loops, net_of_zero, unloaded, warming
from margin.bench.components import Components, UnitScatter
from margin.bench.data import BenchData, at_points
from margin.bench.data.columns import SERIES
from margin.bench.errors import NotMeasurableError
from margin.bench.fitted import FittedQuantity, FittedSensor, FittedSpread, FittedTie, Provenance, Written
from margin.bench.levels import components_of, spreads_by_level
from margin.bench.merits.sweeps import SAME_TEMPERATURE, usual_temperature
from margin.bench.spreads import Kind, Spreads, cycle_parameters, one_setup, spreads_of
from margin.chain.setting import Setting

CLOSEST = 0.99
"""Largest correlation that is written: quantities tied wholly are one quantity."""

FACTORS: dict[Written, float] = {"%": 100.0, "%/K": 100.0, "S": 1e6, "mV/V": 1e3, "": 1.0}
"""What a value in the element's unit is multiplied by to be told in this one; conductances are told in uS."""


@dataclass(frozen=True)
class _Found:
    """Quantities found so far, with what could not be had."""

    quantities: list[FittedQuantity]
    assumptions: list[str]
    confidence: float

    def add(
        self,
        key: str,
        table: pd.DataFrame,
        levels: tuple[str, ...],
        residual: str,
        unit: Written,
        lacking: str,
    ) -> None:
        """A quantity from a table of values; what to measure where there is none."""
        try:
            components = components_of(table, levels, residual, self.confidence)
        except NotMeasurableError:
            self.assumptions.append(f"{key} was not measured and is taken as 0: {lacking}")
            return
        label = "uS" if unit == "S" else unit
        spreads, told = spreads_by_level(components, FACTORS[unit], label)
        if not any(spread.level == "unit" for spread in spreads):
            self.assumptions.append(f"{key} is taken to be the same in all units: the data resolve no spread")
        self.quantities.append(FittedQuantity(key, components.mean, unit, tuple(spreads), False, tuple(told)))


def fitted_sensor(
    data: BenchData,
    kind: Kind,
    *,
    circuit: str | None = None,
    interface: str | None = None,
    reference_load: float | None = None,
    t0: float = 1.0,
    confidence: float = 0.95,
    circuits: Mapping[str, Any] | None = None,
) -> FittedSensor:
    """Fit one circuit and interface of a bench.

    data            conductance for a thin film (see `circuits.conductances`), mV/V for a bridge
    circuit, interface  None: the first in the data
    reference_load  N, where a thin film's sensitivity is stated; None: the measured load nearest to the geometric
                    mean of all, where it hardly moves with the exponent
    t0              s, time after loading at which the values hold
    circuits        elements that read the bench, by name, where voltages were turned into conductances: they tell
                    the sensor's voltage

    The output without load is taken off before the curve is fitted. Raises NotMeasurableError where there is
    nothing to fit, ValueError for an output of another kind.
    """
    frame, _ = one_setup(data.usable(), circuit, interface)
    points = at_points(frame[frame["load_N"].notna()])
    zeros = unloaded(points)
    net = net_of_zero(points, zeros)
    anchor = _reference_load(points) if reference_load is None else reference_load
    setup = {"circuit": str(frame["circuit"].iloc[0]), "interface": str(frame["interface"].iloc[0])}
    spreads = spreads_of(
        dataclasses.replace(data, frame=net_of_zero(frame, zeros)),
        kind, reference_load=anchor, confidence=confidence, **setup,
    )  # fmt: skip
    cycles, _ = cycle_parameters(net, kind, anchor if kind == "thin film" else None)
    usual = usual_temperature(cycles["temperature_degC"].to_numpy(dtype=float))
    at_usual = net[(net["temperature_degC"] - usual).abs() <= SAME_TEMPERATURE]
    top = float(points["load_N"].max())
    found = _Found([], [], confidence)
    _curve(found, kind, spreads, anchor, top)
    mounted = ("lot", "sensor", "mounting")
    zero_unit: Written = "S" if kind == "thin film" else "mV/V"
    if kind != "thin film":
        zeros = zeros.assign(value=1e-3 * zeros["value"])
    zero_key = "offset_conductance" if kind == "thin film" else "zero"
    found.add(zero_key, zeros, mounted, "loading", zero_unit, "read the unloaded output before each cycle")
    found.add("hysteresis", loops(at_usual), mounted, "loading", "%", "read the same loads going down")
    found.add("creep", creeps(at_usual, t0), ("lot", "sensor"), "hold", "%", "keep one load for 1000 s")
    found.quantities.append(FittedQuantity("creep_reference_time", t0, "s"))
    heat_key = "temperature_coefficient" if kind == "thin film" else "span_temperature_coefficient"
    lacking = "repeat the cycles at another temperature without remounting"
    found.add(heat_key, warming(cycles, usual), ("lot", "sensor"), "change of temperature", "%/K", lacking)
    _reload(found, spreads.reload, spreads.components["ln_sensitivity"])
    if circuits is not None and setup["circuit"] in circuits:
        _voltage(found, circuits[setup["circuit"]], setup["circuit"])
    provenance = _provenance(points, setup, usual, t0)
    must_state = tuple(
        f"{'sensitivity' if kind == 'thin film' else 'rated_output'} per {level}"
        for level, count in (("lot", provenance.lots), ("unit", provenance.sensors))
        if count == 1
    )
    tie = _tie(found, spreads) if kind == "thin film" else None  # may change the counts of the quantities
    return FittedSensor(
        kind, tuple(found.quantities), tie, provenance,
        must_state, (*_says(data), *found.assumptions, *_assumptions(points, provenance, t0)),
    )  # fmt: skip


def _reference_load(points: pd.DataFrame) -> float:
    """The measured load nearest, by ratio, to the geometric mean of the loads, to four digits."""
    loads = np.unique(points["point_N"].to_numpy(dtype=float))
    loads = loads[loads > 0]
    if not loads.size:
        raise NotMeasurableError("no reading under load: read the sensor under several loads")
    logs = np.log(loads)
    return float(f"{loads[np.argmin(np.abs(logs - logs.mean()))]:.4g}")


def _curve(found: _Found, kind: Kind, spreads: Spreads, anchor: float, top: float) -> None:
    """Sensitivity and exponent of a thin film, or rated output of a bridge at the highest load."""
    gain = spreads.components["ln_sensitivity"]
    by_level, told = spreads_by_level(gain, 100.0, "%")
    if kind != "thin film":
        output = 1e-3 * top * float(np.exp(gain.mean))
        found.quantities.append(FittedQuantity("rated_load", top, "N"))
        found.quantities.append(
            FittedQuantity("rated_output", output, "mV/V", tuple(by_level), True, tuple(told))
        )
        return
    found.quantities.append(FittedQuantity("reference_load", anchor, "N"))
    found.quantities.append(
        FittedQuantity("sensitivity", float(np.exp(gain.mean)), "S", tuple(by_level), True, tuple(told))
    )
    exponent = spreads.components["exponent"]
    by_level, told = spreads_by_level(exponent, 1.0, "")
    found.quantities.append(
        FittedQuantity("exponent", exponent.mean, "", tuple(by_level), False, tuple(told))
    )


def _tie(found: _Found, spreads: Spreads) -> FittedTie | None:
    """Correlation of sensitivity and exponent over sensors; both then count for the same number of units.

    rank correlation = 6 / pi asin(r / 2) of normal variables (Pearson 1907).
    """
    if spreads.together is None:
        found.assumptions.append("sensitivity and exponent are taken as independent: too few sensors to tell")
        return None
    places = {q.key: i for i, q in enumerate(found.quantities) if q.key in ("sensitivity", "exponent")}
    own = [next((s for s in found.quantities[i].spreads if s.level == "unit"), None) for i in places.values()]
    counts = [s.units for s in own if s is not None and s.units is not None]
    if len(counts) < 2 or min(counts) < 3:
        found.assumptions.append(
            "sensitivity and exponent are taken as independent: one of them hardly varies"
        )
        return None
    units = min(counts)
    for place in places.values():
        quantity = found.quantities[place]
        shared = [dataclasses.replace(s, units=units) if s.level == "unit" else s for s in quantity.spreads]
        found.quantities[place] = dataclasses.replace(quantity, spreads=tuple(shared))
    r = float(np.clip(spreads.together.value, -CLOSEST, CLOSEST))
    told = (
        f"correlation of the {spreads.together.units} sensors' means {r:.2f}, {100 * found.confidence:g} % "
        f"{spreads.together.low:.2f} to {spreads.together.high:.2f} (Fisher's z)"
    )
    rank = float(6.0 / np.pi * np.arcsin(r / 2.0))
    return FittedTie("sensor.sensitivity", "sensor.exponent", rank, units, told)


def _reload(found: _Found, reload: UnitScatter | None, gain: Components) -> None:
    """Scatter from placement to placement: its typical size, how it differs between sensors, or how well it is known.

    The standard deviation of an estimated s is near s / sqrt(2 nu) (JCGM 100, E.4.3).
    """
    within = gain["loading"]
    if reload is None:
        if within.sd:
            spread = FittedSpread("common", within.sd / np.sqrt(2.0 * max(within.dof, 1.0)), None)
            found.quantities.append(FittedQuantity("reload_scatter", within.sd, "%", (spread,)))
        else:
            found.assumptions.append("reload_scatter was not measured and is taken as 0: repeat the cycles")
        return
    told = [
        f"typical sd {100 * reload.typical:.3g} %, {100 * found.confidence:g} %: {100 * reload.low:.3g} to "
        f"{100 * reload.high:.3g} %; {len(reload.units)} sensors, {reload.units['dof'].sum():.0f} degrees of freedom"
    ]
    if reload.spread > 0:
        told.append(
            f"sensors differ: sd of ln(scatter) {reload.spread:.2g}, p {reload.p_equal:.2g} (Bartlett)"
        )
        spread = FittedSpread("unit", reload.spread * reload.typical, len(reload.units))
    else:
        told.append(f"no difference between sensors resolved, p {reload.p_equal:.2g} (Bartlett)")
        dof = float(reload.units["dof"].sum())
        spread = FittedSpread("common", reload.typical / np.sqrt(2.0 * dof), None)
    found.quantities.append(
        FittedQuantity("reload_scatter", reload.typical, "%", (spread,), False, tuple(told))
    )


def _voltage(found: _Found, circuit: Any, name: str) -> None:
    """Voltage that the circuit of the bench puts across a thin film at its reference load, as designed."""
    sensitivity = next(q.nominal for q in found.quantities if q.key == "sensitivity")
    voltage = float(circuit.sensor_voltage(sensitivity, Setting()))
    told = (f"across the sensor at the bench by '{name}', at the reference load",)
    found.quantities.append(FittedQuantity("voltage_reference", voltage, "V", told=told))
    equation = f"the ideal equation of '{name}' ({circuit.kind})"
    found.assumptions.append(f"voltages were turned into conductances by {equation}")


def _says(data: BenchData) -> tuple[str, ...]:
    """What the data file says of itself, and how its columns were read."""
    name = Path(data.source).name
    said = [n.replace("file says", name, 1) for n in data.notes if n.startswith("file says")]
    mapped = any(n.startswith("columns: ") for n in data.notes)
    read = [f"{name}: {n}" for n in data.notes if n.startswith("columns") or " read as " in n]
    return (*said, *(read if mapped else ()))


def _provenance(points: pd.DataFrame, setup: dict[str, str], usual: float, t0: float) -> Provenance:
    def count(keys: list[str]) -> int:
        return int(points.groupby(keys, observed=True).ngroups)

    return Provenance(
        setup["circuit"], setup["interface"], round(usual, 2), count(["lot"]), count(WHO),
        count([*WHO, "mounting"]), count(list(SERIES)), len(points), t0,
    )  # fmt: skip


def _assumptions(points: pd.DataFrame, found: Provenance, t0: float) -> tuple[str, ...]:
    """What no bench shows by itself."""
    loads = points.loc[points["point_N"] > 0, "point_N"]
    heat = points["temperature_degC"]
    lines = [
        f"the spreads are normal: {found.sensors} sensors do not tell their shape",
        f"the curve was measured from {loads.min():.3g} N to {loads.max():.3g} N and is extrapolated beyond",
        "a mounting at the bench scatters like an assembly of the product",
        f"values hold {t0:g} s after loading; humidity and ageing were not measured",
    ]
    if np.ptp(heat) > SAME_TEMPERATURE:
        lines.append(
            f"the change with temperature is straight beyond {heat.min():.3g} to {heat.max():.3g} degC"
        )
    if found.lots == 1:
        lines.append(
            "one lot was measured: what differs from lot to lot is what the case states, and nothing else"
        )
    return tuple(lines)
