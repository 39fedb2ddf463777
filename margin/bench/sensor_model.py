"""Fitted sensor from bench data: every property with its spread at each level that the data resolve."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from margin.bench.behaviour import (
    WHO,
    creeps,
    loops,
    net_of_zero,
    noise_of_loops,
    noise_unloaded,
    unloaded,
    warming,
    warming_of_zero,
    zero_returns,
)
from margin.bench.components import Components
from margin.bench.data import BenchData, at_points
from margin.bench.data.columns import SERIES
from margin.bench.effects import ELEMENTS, has, unmeasured
from margin.bench.errors import NotMeasurableError
from margin.bench.fitted import FittedQuantity, FittedSensor, FittedSpread, FittedTie, Provenance, Written
from margin.bench.levels import components_of, spreads_by_level
from margin.bench.merits.sweeps import SAME_TEMPERATURE, usual_temperature
from margin.bench.reload_quantities import reload_quantities
from margin.bench.reload_scatter import ROUNDING, reload_scatter
from margin.bench.spreads import Kind, Spreads, cycle_parameters, one_setup, spreads_of
from margin.chain.parameter import parameters_of
from margin.chain.setting import Setting

CLOSEST = 0.99
"""Largest correlation that is written: quantities tied wholly are one quantity."""

FACTORS: dict[Written, tuple[float, str]] = {
    "%": (100.0, "%"), "%/K": (100.0, "%/K"), "S": (1e6, "uS"), "S/K": (1e9, "nS/K"), "1/K": (1e6, "ppm/K"),
    "mV/V": (1e3, "mV/V"), "": (1.0, ""),
}  # fmt: skip
"""What a value in the element's unit is multiplied by to be told, and the unit that it is then told in."""

WELL_KNOWN = 30
"""Degrees of freedom from which a spread per loading is taken as known: its standard error is below 13 %."""

RESOLVED = 0.05
"""Chance of a scatter per loading as large by the scatter of single readings alone, below which it is written."""


@dataclass(frozen=True)
class _Found:
    """Quantities found so far, with what was assumed."""

    kind: Kind
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
        noise: tuple[float, float] | None = None,
    ) -> float:
        """A quantity from a table of values, where there are two or more; its scatter per loading, 0 if not written.

        noise  variance of a value by scatter that other quantities hold, and its degrees of freedom; None: nothing
               is written per loading, since the scatter of the values is held elsewhere
        """
        try:
            components = components_of(table, levels, residual, self.confidence)
        except NotMeasurableError:
            return 0.0
        factor, label = FACTORS[unit]
        spreads, told = spreads_by_level(components, factor, label)
        if not any(spread.level == "unit" for spread in spreads):
            self.assumptions.append(f"{key} is taken to be the same in all units: the data resolve no spread")
        per_loading = None if noise is None else _per_loading(components, residual, noise)
        if per_loading is not None:
            spreads.append(per_loading)
            told = [line.replace(", no spread of the sensor", "") for line in told]
            if noise is not None and noise[0] > 0:
                told[-1] += f"; {factor * per_loading.sd:.3g} {label} beyond the scatter of single readings"
        mean = components.mean
        least = parameters_of(ELEMENTS[self.kind])[key].minimum
        if least is not None and mean < least:
            told.append(f"mean {factor * mean:.3g} {label}, taken as {factor * least:g}")
            mean = least
        self.quantities.append(FittedQuantity(key, mean, unit, tuple(spreads), False, tuple(told)))
        return 0.0 if per_loading is None else per_loading.sd


def _per_loading(components: Components, residual: str, noise: tuple[float, float]) -> FittedSpread | None:
    """Spread from cycle to cycle beyond `noise`, where an F test tells it from that."""
    within = components[residual]
    if within.variance is None or within.dof < 1:
        return None
    variance, dof = noise
    if within.variance <= max((ROUNDING * components.mean) ** 2, variance):
        return None
    if variance > 0 and stats.f.sf(within.variance / variance, within.dof, max(dof, 1.0)) > RESOLVED:
        return None
    units = max(int(within.dof) + 1, 2) if within.dof < WELL_KNOWN else None
    return FittedSpread("loading", float(np.sqrt(within.variance - variance)), units)


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
    film = kind == "thin film"
    anchor = _reference_load(points) if reference_load is None else reference_load
    setup = {"circuit": str(frame["circuit"].iloc[0]), "interface": str(frame["interface"].iloc[0])}
    heat = cycle_parameters(points, kind, anchor if film else None)[0]["temperature_degC"]
    usual = usual_temperature(heat.to_numpy(dtype=float))
    zeros = unloaded(_near(points, usual))
    net = net_of_zero(points, zeros)
    spreads = spreads_of(
        dataclasses.replace(data, frame=net_of_zero(frame, zeros)),
        kind, reference_load=anchor, confidence=confidence, **setup,
    )  # fmt: skip
    cycles, _ = cycle_parameters(net, kind, anchor if film else None)
    at_usual = _near(net, usual)
    top = float(points["load_N"].max())
    found = _Found(kind, [], [], confidence)
    _curve(found, kind, spreads, anchor, top)
    mounted = ("lot", "sensor", "mounting")
    # the scatter of a bridge's zero is among its reload scatter
    zero_sd = found.add(
        "offset_conductance" if film else "zero", zeros if film else zeros.assign(value=1e-3 * zeros["value"]),
        mounted, "loading", "S" if film else "mV/V", noise_unloaded(_near(points, usual)) if film else None,
    )  # fmt: skip
    cold = loops(at_usual)
    found.add("hysteresis", cold, mounted, "loading", "%", noise_of_loops(cold))
    found.add("creep", creeps(at_usual, t0), ("lot", "sensor"), "hold", "%")
    found.quantities.append(FittedQuantity("creep_reference_time", t0, "s"))
    if has(kind, "zero_return"):
        found.add(
            "zero_return", zero_returns(_near(points, usual), at_usual), mounted, "loading", "%", (0.0, 0.0)
        )
    heat_key = "temperature_coefficient" if film else "span_temperature_coefficient"
    found.add(heat_key, warming(cycles, usual), ("lot", "sensor"), "change of temperature", "%/K")
    drift = warming_of_zero(points, usual)
    found.add(
        "offset_temperature_coefficient" if film else "zero_temperature_coefficient",
        drift if film else drift.assign(value=1e-3 * drift["value"]),
        ("lot", "sensor"), "change of temperature", "S/K" if film else "1/K",
    )  # fmt: skip
    try:
        scatter = reload_scatter(
            at_usual, kind, anchor if film else top, zero_sd=zero_sd, confidence=confidence
        )
        quantities, assumptions = reload_quantities(scatter)
        found.quantities.extend(quantities)
        found.assumptions.extend(assumptions)
    except NotMeasurableError:
        pass
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
        unmeasured(kind, (q.key for q in found.quantities)),
    )  # fmt: skip


def _near(frame: pd.DataFrame, usual: float) -> pd.DataFrame:
    """Readings at the usual temperature, degC."""
    return frame[(frame["temperature_degC"] - usual).abs() <= SAME_TEMPERATURE]


def _reference_load(points: pd.DataFrame) -> float:
    """The measured load nearest, by ratio, to the geometric mean of the loads, to four digits."""
    loads = np.unique(points["point_N"].to_numpy(dtype=float))
    loads = loads[loads > 0]
    if not loads.size:
        raise NotMeasurableError("no reading under load", "read the sensor under several loads")
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
        f"values hold {t0:g} s after loading",
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
